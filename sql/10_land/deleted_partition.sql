-- ledger.deleted_partition: what was landed once and deleted since, as keep_reads_months says.
-- grain: one partition of a landing; key: file_hash, kind, month, bucket. Rejected rows of a file
--   without any stored read left are one row of kind `rejected`, bucket -1, in its last month.
-- units: amount_gal [gal]; deleted_at UTC.
-- reads: nothing (written before the files are removed).
-- why: landed = stored + deleted; and a deletion that was interrupted goes on from here.
create table if not exists ledger.deleted_partition (
    file_hash varchar not null,
    kind varchar not null,
    month varchar not null,
    bucket integer not null,
    rows bigint not null,
    amount_gal double,
    deleted_at timestamp not null
)
