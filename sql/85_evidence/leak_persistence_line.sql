-- grain: one number of months after a change-out; key: months_after
-- reads: results.leak_persistence
-- why: how long steady flow lasts that new meters made visible, for the fleet's page
-- units: as the column names say
select
    months_after,
    case_count,
    new_gpm,
    left_share,
    left_low_share,
    left_high_share
from results.leak_persistence
order by months_after;
