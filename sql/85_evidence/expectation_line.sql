-- grain: one expectation of the newest validation; key: suite, metric
-- reads: ledger.validation_result
-- why: whether what landed last was as expected, and where it was not
-- units: batches counted; observed and expected as the metric's name says
with latest as (
    select *
    from ledger.validation_result
    where validated_at = (select max(validated_at) from ledger.validation_result)
)

select
    validated_at,
    suite,
    metric,
    severity,
    expected,
    any_value(meaning) as meaning,
    count(*) as batches,
    count(*) filter (where not is_met) as missed,
    min(batch) filter (where not is_met) as missed_batch,
    min_by(observed, batch) filter (where not is_met) as missed_value
from latest
group by validated_at, suite, metric, severity, expected
order by missed > 0 desc, severity, suite, metric;
