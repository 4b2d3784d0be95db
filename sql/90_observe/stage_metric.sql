-- ledger.stage_metric: time, rows and memory of each stage of each sweep.
-- grain: one stage of one sweep; key: sweep_id, stage.
-- units: *_at (UTC, without zone), duration_s [s], peak_mb [MB of 10^6 bytes].
-- reads: nothing (written when a stage ends).
-- why: shows slowing sweeps before they fail, and gives measured figures for sizing machines.
--      peak_mb is the largest resident memory of any one process of the stage; on a cluster, of
--      a worker since it started.
create table if not exists ledger.stage_metric (
    sweep_id varchar not null,
    stage varchar not null,
    started_at timestamp not null,
    duration_s double not null,
    item_count bigint not null, -- files, partitions, buckets
    row_count bigint not null, -- reads landed or profiled, meters assessed, rows published
    peak_mb double not null,
    outcome varchar not null, -- done, failed, stopped
    primary key (sweep_id, stage)
)
