-- latest_outcome: the latest outcome of each batch in its suite.
-- grain: one expectation and batch; key: suite, batch, metric.
-- units: those of the metric, in its name.
-- reads: ledger.validation_result.
-- why: the page shows the current state, failures first, newest batches first.
with results as (from ledger.validation_result),
ranked as (
    select
        validated_at, suite, batch, metric, is_met, severity, observed, expected, meaning,
        row_number() over (
            partition by suite, batch, metric order by validated_at desc
        ) as place
    from results
)
select
    validated_at, suite, batch, metric, is_met, severity, observed, expected, meaning
from ranked
where place = 1
order by is_met, severity, validated_at desc, suite, batch, metric
limit 5000
