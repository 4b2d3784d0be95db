-- grain: one meter of the partition; key: meter_key, meter_id
-- reads: landed_read
-- why: window functions over millions of reads sort a small integer faster than a name
-- units: none
create or replace temp table meter_key as
with named as (
    select distinct meter_id
    from landed_read
)

select
    meter_id,
    row_number() over (order by meter_id)::integer as meter_key
from named;
