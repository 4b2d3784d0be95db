-- landed_balance: what became of the rows of the file at hand.
-- grain: one row; key: none. units: _gal [gal]; times UTC.
-- reads: placed_read, unreadable_line, landing_meter.
-- why: landed = accepted + rejected, by count and by volume, before anything is moved.
create or replace temp table landed_balance as
with placed as (
    select
        meter_key, begin_at, interval_min, quality, rule, amount_gal,
        case when getvariable('amount_name') = 'volume' then amount_gal end as volume_gal
    from placed_read
),
unreadable as (from unreadable_line),
meter as (from landing_meter),
sums as (
    select
        count(*) as rows_read,
        count(*) filter (where rule is null) as rows_accepted,
        sum(volume_gal) as gal_read,
        sum(volume_gal) filter (where rule is null) as gal_accepted,
        sum(volume_gal) filter (where rule is not null) as gal_rejected,
        sum(interval_min::double) filter (where rule is null) as covered_min,
        count(*) filter (where rule is null and quality is null) as rows_unknown_quality,
        count(*) filter (where rule is null and quality = 'measured') as rows_measured,
        count(*) filter (where rule is null and quality = 'estimated') as rows_estimated,
        count(*) filter (where rule is null and quality = 'missing') as rows_missing,
        count(*) filter (where rule is null and begin_at > getvariable('now_at')) as rows_future,
        count(*) filter (where rule like '%_negative') as rows_negative,
        count(*) filter (where rule is null and amount_gal = 0) as rows_zero,
        min(begin_at) filter (where rule is null) as first_at,
        max(begin_at) filter (where rule is null) as last_at,
        count(distinct meter_key) filter (where rule is null) as meters
    from placed
)
select
    sums.rows_read + (select count(*) from unreadable) as rows_landed,
    sums.rows_accepted,
    sums.rows_read - sums.rows_accepted + (select count(*) from unreadable) as rows_rejected,
    coalesce(sums.gal_read, 0) as gal_landed,
    coalesce(sums.gal_accepted, 0) as gal_accepted,
    coalesce(sums.gal_rejected, 0) as gal_rejected,
    sums.rows_unknown_quality, sums.covered_min,
    sums.rows_measured, sums.rows_estimated, sums.rows_missing, sums.rows_future,
    sums.rows_negative, sums.rows_zero, sums.first_at, sums.last_at, sums.meters,
    (select count(*) from meter where not is_known) as unknown_meters
from sums
