-- question: Which types and sizes of new meters do not bring what was promised?
-- grain: one type and size of the meter put in; key: installed_type, installed_size_in
-- reads: change_out_result
-- why: one change-out tells little; a type that is short again and again is a bad batch, a curve
--      that does not hold, or a wrong register: have such meters tested
-- units: as the column names say
select
    installed_type,
    installed_size_in,
    count(*) as promises,
    count(*) filter (where against_promise = 'short') as short,
    sum(promised_gain_gal_per_year) as promised_gain_gal_per_year,
    sum(realised_gain_gal_per_year) as realised_gain_gal_per_year,
    sum(realised_gain_gal_per_year) / nullif(sum(promised_gain_gal_per_year), 0) as kept_share
from change_out_result
where against_promise is not null
group by installed_type, installed_size_in
order by short desc, promises desc, installed_type, installed_size_in;
