-- grain: none; an empty ranked_reading for a partition without register reads
-- reads: nothing
-- why: a partition may have interval reads only
-- units: as ranked_reading
create or replace temp table ranked_reading (
    meter_id varchar,
    read_at timestamptz,
    reading_gal double,
    quality varchar,
    file_hash varchar,
    source_line bigint,
    dial_limit_gal double,
    gal_per_count double,
    is_of_month boolean,
    is_current boolean
);
