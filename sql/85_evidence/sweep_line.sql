-- grain: one sweep in the history; key: sweep_id
-- reads: results.sweep
-- why: row and account balance of this sweep and earlier ones
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
