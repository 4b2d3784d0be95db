-- question: How much money have change-outs brought to date, by class?
-- grain: one customer class, and all of them; key: scope, name
-- reads: change_out_total
-- why: for the board: what came, with its range, and how many change-outs cannot be told yet
-- units: as the column names say
select
    scope,
    name,
    change_outs,
    judged,
    too_young,
    set_aside,
    realised_gain_gal_per_year,
    realised_to_date_gal,
    realised_to_date_usd,
    realised_to_date_low_usd,
    realised_to_date_high_usd
from change_out_total
where scope in ('all', 'class')
order by scope, realised_to_date_usd desc nulls last, name;
