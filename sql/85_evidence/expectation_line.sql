-- grain: one expectation; key: suite, metric
-- reads: ledger.validation_result
-- why: whether every file and month passed validation, by the latest outcome of each
-- units: batches counted; observed and expected as the metric's name says
with ranked as (
    select
        *,
        row_number() over (
            partition by suite, batch, metric
            order by validated_at desc
        ) as age
    from ledger.validation_result
),

latest as (
    select * from ranked where age = 1
)

select
    max(validated_at) as validated_at,
    suite,
    metric,
    any_value(severity) as severity,
    max_by(expected, validated_at) as expected,
    any_value(meaning) as meaning,
    count(*) as batches,
    count(*) filter (where not is_met) as missed,
    max(batch) filter (where not is_met) as missed_batch,
    max_by(observed, batch) filter (where not is_met) as missed_value
from latest
group by suite, metric
order by missed > 0 desc, severity, suite, metric;
