-- grain: one meter with a recorded peak; key: meter
-- reads: the lake's Parquet files of one partition ($interval_files), grid_meter
-- why: few meters record peaks, so their reads are looked at apart
-- units: peak_gpm [gal/min]
select
    grid_meter.meter,
    max(landed.peak_register_gpm)::double as peak_gpm
from read_parquet($interval_files, hive_partitioning = false) as landed
join grid_meter on landed.meter_id = grid_meter.meter_id
where landed.peak_register_gpm is not null and landed.quality <> 'missing'
group by grid_meter.meter
order by grid_meter.meter;
