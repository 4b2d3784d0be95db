-- grain: one meter in service and local day; key: meter_id, day_on
-- reads: day_flow files ($day_files), meter_in_service
-- why: every day in the lake, so that a flow that began within the year has days before it
-- units: as the column names say
create or replace temp table day_flow as
select
    day.meter_id,
    day.day_on,
    day.least_gpm::double as least_gpm,
    day.day_gpm::double as day_gpm
from read_parquet($day_files, hive_partitioning = false) as day
join meter_in_service on day.meter_id = meter_in_service.meter_id
order by day.meter_id, day.day_on;
