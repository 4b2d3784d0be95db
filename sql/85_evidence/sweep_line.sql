-- grain: one sweep held; key: sweep_id
-- reads: results.sweep
-- why: the balance of rows and accounts of this sweep and those before
-- units: as the column names say
select
    sweep_id,
    utility,
    finished_at,
    code_version,
    units,
    timezone,
    accounts,
    assessed,
    not_assessed,
    rows_landed,
    rows_accepted,
    rows_rejected,
    rows_superseded
from results.sweep
order by sweep_id desc;
