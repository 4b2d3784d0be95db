-- landed_balance: row and volume balance of the current file.
-- grain: one file; key: none (one row).
-- units: gal_* [gal], zero for register readings, which are not volumes; covered_min [min];
--   first_at and last_at UTC; full_from_at and full_until_at local, the days in the file.
-- reads: typed_read, placed_read, landed_part, rejected_read, landing_meter, landed_day,
--   variable has_questionable.
-- why: landed = accepted + rejected, by count and by volume, before anything is moved.
create or replace temp table landed_balance as
with accepted as (
    select
        coalesce(sum(rows_accepted), 0)::bigint as rows_accepted,
        sum(amount_gal) as amount_gal,
        sum(covered_min) as covered_min,
        coalesce(sum(rows_measured), 0)::bigint as rows_measured,
        coalesce(sum(rows_estimated), 0)::bigint as rows_estimated,
        coalesce(sum(rows_missing), 0)::bigint as rows_missing,
        coalesce(sum(rows_future), 0)::bigint as rows_future,
        coalesce(sum(rows_zero), 0)::bigint as rows_zero,
        min(first_at) as first_at,
        max(last_at) as last_at
    from landed_part
),
-- unknown codes become questionable: without any questionable read there is none to count
unknown as (
    select count(*) as rows_unknown_quality
    from placed_read
    where getvariable('has_questionable') and rule is null and quality is null
),
rejected as (
    select
        count(*) as rows_rejected,
        count(*) filter (where not is_line) as reads_rejected,
        sum(amount_gal) as amount_gal,
        count(*) filter (where rule like '%_negative') as rows_negative
    from rejected_read
),
meters as (
    select
        count(*) as meters,
        count(*) filter (where not is_known) as unknown_meters
    from landing_meter
),
days as (
    select
        to_timestamp(min(day) * 86400) as full_from_at,
        to_timestamp((max(day) + 1) * 86400) as full_until_at,
        sum(covered_min) as covered_min,
        case when count(*) = 1 then least(min(span_min), 1440) else count(*) * 1440 end
            as span_min
    from landed_day
),
read as (select count(*) as rows_read from typed_read)
select
    read.rows_read + rejected.rows_rejected - rejected.reads_rejected as rows_landed,
    accepted.rows_accepted,
    rejected.rows_rejected,
    case when getvariable('amount_name') = 'volume'
        then coalesce(accepted.amount_gal, 0) + coalesce(rejected.amount_gal, 0) else 0
    end as gal_landed,
    case when getvariable('amount_name') = 'volume'
        then coalesce(accepted.amount_gal, 0) else 0
    end as gal_accepted,
    case when getvariable('amount_name') = 'volume'
        then coalesce(rejected.amount_gal, 0) else 0
    end as gal_rejected,
    unknown.rows_unknown_quality, accepted.covered_min, accepted.rows_measured,
    accepted.rows_estimated, accepted.rows_missing, accepted.rows_future,
    rejected.rows_negative, accepted.rows_zero, accepted.first_at, accepted.last_at,
    meters.meters, meters.unknown_meters,
    timezone('UTC', days.full_from_at) as full_from_at,
    timezone('UTC', days.full_until_at) as full_until_at,
    case when getvariable('amount_name') = 'volume'
        then days.covered_min / nullif(meters.meters * days.span_min, 0)
    end as coverage_share
from read, accepted, unknown, rejected, meters, days
