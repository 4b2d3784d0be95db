-- ledger.reading_generation: how often a file was read again because of a new multiplier.
-- grain: one file content; key: content_hash. units: none.
-- reads: nothing (written by the land stage).
-- why: the lake file gets a new name, so every profile that uses it is rebuilt.
create table if not exists ledger.reading_generation (
    content_hash varchar primary key,
    generation integer not null
)
