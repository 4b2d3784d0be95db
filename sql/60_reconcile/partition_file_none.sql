-- grain: one landed file in one month and bucket; key: month, bucket, kind, file_hash
-- reads: nothing: the lake has no reads
-- why: a sweep over an empty lake still balances, at zero
-- units: *_gal [gal]
create or replace temp table partition_file (
    month varchar,
    bucket bigint,
    kind varchar,
    file_hash varchar,
    rows bigint,
    current_rows bigint,
    superseded_rows bigint,
    current_gal double,
    superseded_gal double
);
