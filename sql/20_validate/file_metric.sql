-- file_metric: shares and ratios of a landed file, for its validation suite.
-- grain: one file landed by this run; key: batch.
-- units: _share 0 to 1 of the rows named; meters_against_file_before is a ratio.
-- reads: ledger.landed_file, landed_now (the run's file hashes, registered by the caller).
-- why: suites check this small table, not the reads. A file for days landed before is a
--   correction with few meters and hours, so its coverage and meters are not checked, and later
--   files are not compared with it.
with files as (
    select
        file_hash, export_name, path, landed_seq, rows_landed, rows_accepted, rows_rejected,
        rows_estimated, rows_missing, rows_future, rows_negative, rows_repeated,
        rows_unknown_quality, unknown_meters, meters, coverage_share,
        coalesce(
            full_until_at <= max(full_until_at) over (
                partition by export_name
                order by landed_seq
                rows between unbounded preceding and 1 preceding
            ),
            false
        ) as is_correction
    from ledger.landed_file
),
regular as (
    select
        file_hash,
        lag(meters) over (partition by export_name order by landed_seq) as meters_before
    from files
    where not is_correction
),
now_landed as (from landed_now)
select
    files.path as batch,
    files.rows_accepted,
    files.rows_rejected / nullif(files.rows_landed, 0) as rejected_share,
    files.rows_future / nullif(files.rows_accepted, 0) as future_share,
    files.rows_negative / nullif(files.rows_landed, 0) as negative_share,
    files.rows_repeated / nullif(files.rows_accepted, 0) as repeated_share,
    files.rows_estimated / nullif(files.rows_accepted, 0) as estimated_share,
    files.rows_missing / nullif(files.rows_accepted, 0) as missing_share,
    files.rows_unknown_quality / nullif(files.rows_accepted, 0) as unknown_quality_share,
    case when not files.is_correction then files.coverage_share end as coverage_share,
    files.unknown_meters / nullif(files.meters, 0) as unknown_meter_share,
    files.meters / nullif(regular.meters_before, 0) as meters_against_file_before
from files
left join regular on regular.file_hash = files.file_hash
semi join now_landed on now_landed.file_hash = files.file_hash
order by files.landed_seq
