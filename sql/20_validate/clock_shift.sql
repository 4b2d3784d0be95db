-- ledger.clock_shift: meters for which two exports have the same volumes one interval apart.
-- grain: one meter of one partition; key: month, bucket, meter_id.
-- units: shift_min [min], by which the second export's time stamps are later; _share 0 to 1.
-- reads: nothing (written by the land stage).
-- why: found when reads of two exports overlap, and stored so that a sweep checks new reads only.
create table if not exists ledger.clock_shift (
    month varchar not null,
    bucket integer not null,
    meter_id varchar not null,
    first_export varchar not null,
    second_export varchar not null,
    shift_min double not null,
    agree_share double not null,
    unshifted_agree_share double not null,
    reads bigint not null
)
