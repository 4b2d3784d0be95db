-- ledger.reading_generation: how often a content had to be read again by the same settings.
-- grain: one content; key: content_hash. units: none.
-- reads: nothing (written by the land stage).
-- why: for another multiplier, other dials or another clock. The reads' file gets another name,
--   so that every profile made from it is made anew.
create table if not exists ledger.reading_generation (
    content_hash varchar primary key,
    generation integer not null
)
