-- grain: one meter and landed file with reads of it; key: meter_id, file_hash
-- reads: keyed_read, superseded_read, meter_key
-- why: the files behind a page
-- units: *_count
create or replace temp table read_file as
select
    meter_key.meter_id,
    keyed_read.file_hash,
    count(*) as read_count,
    count(*) filter (
        where keyed_read.read_key in (select read_key from superseded_read)
    ) as superseded_count
from keyed_read
join meter_key on keyed_read.meter_key = meter_key.meter_key
group by meter_key.meter_id, keyed_read.file_hash
order by meter_key.meter_id, keyed_read.file_hash;
