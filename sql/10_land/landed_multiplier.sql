-- ledger.landed_multiplier: the multiplier applied to each meter's landed reads.
-- grain: one landed meter; key: meter_id.
-- units: multiplier is a factor on the volumes or readings of the exports.
-- reads: nothing (written by the land stage).
-- why: a corrected multiplier in meters.csv must also apply to reads landed earlier.
create table if not exists ledger.landed_multiplier (
    meter_id varchar primary key,
    multiplier double not null
)
