-- grain: the latest sweep; one row; key: sweep_id
-- reads: results.sweep
-- why: a page shows one sweep and names it
-- units: none
select
    sweep_id,
    utility,
    finished_at,
    code_version,
    config_hash,
    catalogue_hash,
    meters_hash,
    lake_hash,
    units,
    timezone,
    buckets
from results.sweep
order by sweep_id desc
limit 1;
