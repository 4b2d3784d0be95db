-- ledger.waiting_place: the places of files that were found, but could not land yet.
-- grain: one file; key: path. units: place counts files in the order in which they were found.
-- reads: nothing (written by the land stage).
-- why: which read is current must not depend on the night on which a file could be read.
create table if not exists ledger.waiting_place (
    path varchar primary key,
    place integer not null
)
