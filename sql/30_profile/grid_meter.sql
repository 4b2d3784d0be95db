-- grain: one meter with interval reads in the partition; key: meter_id, meter
-- reads: the lake's Parquet files of one partition ($interval_files)
-- why: rows of a matrix are numbers, from 0, in the order of the meters' names
-- units: none
create or replace temp table grid_meter as
with named as (
    select distinct meter_id
    from read_parquet($interval_files, hive_partitioning = false)
)

select
    meter_id,
    (row_number() over (order by meter_id) - 1)::integer as meter
from named;
