-- grain: the newest sweep, if it was asked to correct gains; one row at most
-- reads: results.sweep_document
-- why: a correction that past change-outs teach is never applied without a word
-- units: all_factor [1] that of all meters; low_factor and high_factor [1] over finest groups
with newest as (
    select content
    from results.sweep_document
    where
        document = 'gain_correction'
        and sweep_id = (select max(sweep_id) from results.sweep)
),

factors as (
    select unnest(from_json(content -> 'factors', '["json"]')) as held
    from newest
),

told as (
    select
        (held ->> 'factor')::double as factor,
        json_array_length(held -> 'group') as depth
    from factors
)

select
    (content ->> 'is_applied')::boolean as is_applied,
    (content ->> 'case_count')::integer as case_count,
    (content ->> 'least_count')::integer as least_count,
    (select factor from told where depth = 0) as all_factor,
    (select min(factor) from told where depth = 3) as low_factor,
    (select max(factor) from told where depth = 3) as high_factor
from newest;
