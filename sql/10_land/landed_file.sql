-- ledger.landed_file: every landed file, with its row counts.
-- grain: one landing; key: file_hash (of the content and how it was read).
-- units: bytes; rows; _gal [gal], multiplier applied; times UTC,
--   full_from_at and full_until_at local: the days in the file.
-- reads: nothing (written by the land stage, in the transaction that ends a landing).
-- why: a file listed here is completely landed; a file not listed is not landed.
create table if not exists ledger.landed_file (
    file_hash varchar primary key,
    content_hash varchar not null,
    export_name varchar not null,
    path varchar not null,
    bytes ubigint not null,
    layout varchar not null,
    read_as varchar not null,
    landed_seq integer not null,
    landed_at timestamptz not null,
    rows_landed bigint not null,
    rows_accepted bigint not null,
    rows_rejected bigint not null,
    gal_landed double not null,
    gal_accepted double not null,
    gal_rejected double not null,
    covered_min double,
    rows_repeated bigint,
    rows_unknown_quality bigint,
    rows_measured bigint,
    rows_estimated bigint,
    rows_missing bigint,
    rows_future bigint,
    rows_negative bigint,
    rows_zero bigint,
    first_at timestamp,
    last_at timestamp,
    meters bigint,
    unknown_meters bigint,
    full_from_at timestamp,
    full_until_at timestamp,
    coverage_share double,
    problem varchar,
    note varchar
)
