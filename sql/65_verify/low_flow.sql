-- grain: one job and side of it, before or after; key: case_number, side
-- reads: month_band files ($band_files), the frame case_month, registered by the caller
-- why: bands of flow that the old meter hardly measured should show once a better one is in
-- units: low_gal [gal] volume of measured intervals whose mean flow is above zero and below
--        limit_gpm; minutes [min] all measured intervals. Bands as in rightsize/demand/bands.py
--        ($first_edge_gpm, $bands_per_decade); a band counts by its middle
with band as (
    select
        meter_id,
        regexp_extract(filename, '.*/month=(\d{4}-\d{2})/', 1) as month,
        interval_min,
        window_count,
        volume_gal,
        band,
        $first_edge_gpm * pow(10, (band + 0.5) / $bands_per_decade) as flow_gpm
    from read_parquet($band_files, filename = true, hive_partitioning = false)
    where kind = 'interval'
)

select
    case_month.case_number,
    case_month.side,
    coalesce(
        sum(
            case when band.band >= 0 and band.flow_gpm < case_month.limit_gpm
                then band.volume_gal else 0 end
            order by band.month, band.interval_min, band.band
        ),
        0
    ) as low_gal,
    sum(band.window_count * band.interval_min) as minutes
from case_month
join band on case_month.meter_id = band.meter_id and case_month.month = band.month
group by case_month.case_number, case_month.side
order by case_month.case_number, case_month.side;
