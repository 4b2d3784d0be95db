-- ledger.validation_result: the outcome of each expectation for each batch.
-- grain: one expectation and batch; key: validated_at, suite, batch, metric.
-- units: those of the metric, in its name.
-- reads: nothing (written by the validate stage).
-- why: a suite that failed last month can be looked up, offline.
create table if not exists ledger.validation_result (
    validated_at timestamptz not null,
    suite varchar not null,
    batch varchar not null,
    expectation varchar not null,
    metric varchar not null,
    is_met boolean not null,
    severity varchar not null,
    observed varchar,
    expected varchar,
    meaning varchar
)
