-- grain: none; an empty landed_read for a partition without interval reads
-- reads: nothing
-- why: a partition may have register reads only
-- units: as landed_read
create or replace temp table landed_read (
    meter_id varchar,
    start_at timestamptz,
    interval_min double,
    registered_gal double,
    quality varchar,
    peak_register_gpm float,
    landed_seq bigint,
    source_line bigint,
    file_hash varchar,
    kind varchar
);
