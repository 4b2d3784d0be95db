-- ledger.waiting_place: places of files that were found but could not be loaded yet.
-- grain: one file; key: path, export_name.
-- units: place counts files in the order in which they were found.
-- reads: nothing (written by the land stage).
-- why: which read is current must not depend on when a file could be read.
create table if not exists ledger.waiting_place (
    path varchar not null,
    export_name varchar not null,
    place integer not null,
    primary key (path, export_name)
)
