-- ledger.landed_partition: which lake partitions a landing wrote, and how much.
-- grain: one row a key; key: file_hash, kind, month, bucket. units: amount_gal [gal].
-- reads: nothing (written by the land stage). why: late reads show which months they re-open.
create table if not exists ledger.landed_partition (
    file_hash varchar not null,
    kind varchar not null,
    month varchar not null,
    bucket integer not null,
    rows_accepted bigint not null,
    amount_gal double,
    covered_min double,
    rows_repeated bigint not null
)
