-- ledger.landed_multiplier: the multiplier with which each meter's reads lie in the lake.
-- grain: one meter that ever landed; key: meter_id.
-- units: multiplier is a factor on the amounts of the exports.
-- reads: nothing (written by the land stage).
-- why: a multiplier that is put right in meters.csv must reach the reads landed before.
create table if not exists ledger.landed_multiplier (
    meter_id varchar primary key,
    multiplier double not null
)
