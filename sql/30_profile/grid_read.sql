-- grain: one landed interval read of one file, in the file's order
-- reads: one of the lake's Parquet files ($file), grid_meter
-- why: columns of numbers for a matrix: kind is 1 of a measured or edited read, 2 of an estimated
--      or questionable one, 0 of a missing one and 255 of any other
-- units: gal [gal], nan if unknown; interval_min [min]; start_us [us] since 1970, UTC
select
    grid_meter.meter,
    epoch_us(landed.start_at) as start_us,
    landed.interval_min,
    coalesce(landed.registered_gal, 'nan'::double) as gal,
    (
        case
            when landed.quality in ('measured', 'edited') then 1
            when landed.quality in ('estimated', 'questionable') then 2
            when landed.quality = 'missing' then 0
            else 255
        end
    )::utinyint as kind
from read_parquet($file, hive_partitioning = false) as landed
join grid_meter on landed.meter_id = grid_meter.meter_id;
