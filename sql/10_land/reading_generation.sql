-- ledger.reading_generation: how often a file was read again with the same settings.
-- grain: one file content; key: content_hash. units: none.
-- reads: nothing (written by the land stage).
-- why: after a new multiplier, other register digits or a corrected clock. The lake file gets a
--   new name, so every profile that uses it is rebuilt.
create table if not exists ledger.reading_generation (
    content_hash varchar primary key,
    generation integer not null
)
