-- grain: one stage of the sweep requested; key: stage
-- reads: ledger.stage_metric
-- why: time and memory of the last sweep by stage
-- units: duration_s [s], peak_mb [MB]
select
    stage,
    duration_s,
    item_count,
    row_count,
    peak_mb,
    outcome
from ledger.stage_metric
where sweep_id = $sweep_id
order by started_at
