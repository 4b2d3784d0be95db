-- question: How well do the installed types and sizes suit their demand?
-- grain: one installed type and size; key: installed_type, installed_size_in
-- reads: latest_recommendation
-- why: shows a purchasing pattern rather than single sites
-- units: as the column names say
select
    installed_type,
    installed_size_in,
    count(*) as meters,
    count(*) filter (where verdict = 'fits') as fits,
    count(*) filter (where verdict = 'oversized') as oversized,
    count(*) filter (where verdict = 'undersized') as undersized,
    count(*) filter (where verdict = 'wrong_type') as wrong_type,
    count(*) filter (where verdict = 'not_assessed') as not_assessed,
    avg(installed_accuracy_pct) as mean_accuracy_pct
from latest_recommendation
where installed_type is not null
group by installed_type, installed_size_in
order by meters desc, installed_type, installed_size_in;
