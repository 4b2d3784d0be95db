-- grain: one number of months after a change-out, of the newest sweep; none if nothing was learned
-- reads: results.sweep_document
-- why: shares that past change-outs teach are never used without a word
-- units: observed, set and used shares [1] of new steady flow that still runs
with newest as (
    select content
    from results.sweep_document
    where
        document = 'leak_repair'
        and sweep_id = (select max(sweep_id) from results.sweep)
),

told as (
    select unnest(from_json(content -> 'shares', '["json"]')) as held
    from newest
)

select
    (held ->> 'months_after')::integer as months_after,
    (held ->> 'case_count')::integer as case_count,
    (held ->> 'observed_share')::double as observed_share,
    (held ->> 'set_share')::double as set_share,
    (held ->> 'share')::double as used_share
from told
order by months_after;
