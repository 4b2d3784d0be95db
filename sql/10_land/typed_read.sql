-- typed_read: every row of the file at hand, its texts turned into values where they can be.
-- grain: one row a read of the file; key: source_line (layout wide: and stamp_at).
-- units: amount in the file's own unit; gal_per_unit [gal]; stamp_at is UTC where is_utc,
--   else wall clock of the export's zone; interval_min [min]; peak_gpm [gpm].
-- reads: raw_read (all text, made by the layout's module) and the macros stamp_at,
--   is_utc_stamp, amount_of, quality_of and gal_of_unit of the export.
-- why: a peak beyond its number is infinite, to be refused. A text is looked at once; what the values mean is judged in 20_validate/judged_read.
create or replace temp table typed_read as
with raw as (from raw_read)
select
    source_line,
    trim(meter_id) as meter_id,
    nullif(trim(at_text), '') as at_text,
    coalesce(utc_at, stamp_at(trim(at_text))) as stamp_at,
    utc_at is not null or is_utc_stamp(trim(at_text)) as is_utc,
    nullif(trim(amount_text), '') as amount_text,
    amount_of(trim(amount_text)) as amount,
    quality_of(quality_text)::quality_word as quality,
    unit_text,
    gal_of_unit(trim(unit_text)) as gal_per_unit,
    interval_text,
    try_cast(interval_text as float) as interval_min,
    case
        when try_cast(peak_text as double) is not null
            then coalesce(try_cast(peak_text as float), 'inf'::float)
    end as peak_gpm,
    refused_as
from raw
