-- grain: one total of change-outs; key: scope, name
-- reads: results.change_out_total
-- why: what change-outs brought by type, size and class, for the fleet's page
-- units: as the column names say
select *
from results.change_out_total
order by scope, realised_gain_gal_per_year desc nulls last, name;
