-- ledger.clock_shift: meters of which two exports tell the same water an interval apart.
-- grain: one meter of one partition; key: month, bucket, meter_id.
-- units: shift_min [min] by which the second export's stamps are later; _share 0 to 1.
-- reads: nothing (written by the land stage).
-- why: found where reads of two exports meet, kept so that a sweep looks at new reads only.
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
