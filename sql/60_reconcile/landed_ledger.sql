-- grain: one landed file; key: file_hash
-- reads: ledger.landed_file (the working database)
-- why: the files that a sweep must account for, and the published list of files
-- units: accepted_gal [gal]
select
    file_hash,
    export_name,
    path,
    layout,
    landed_at,
    rows_landed,
    rows_accepted,
    rows_rejected,
    gal_accepted as accepted_gal
from ledger.landed_file
order by landed_seq;
