-- espi_read: the readings of an ESPI file, in the columns of raw_read.
-- grain: one IntervalReading; key: source_line (its position in the file).
-- units: utc_at (UTC) is the start of the interval, or the time of a register reading;
--   amount_text in unit_text, interval_text [min].
-- reads: espi_reading, espi_type, espi_point (from the caller), variables meter_name and
--   amount_name.
-- why: volume = value * 10^multiplier * unit. A reading without its own time is placed from the
--   block's start by the interval length of its reading type, or by an equal share of the block.
create or replace temp table espi_read as
with reading as (from espi_reading),
kinds as (from espi_type),
points as (from espi_point),
joined as (
    select
        reading.record,
        reading.value,
        reading.quality,
        kinds.unit,
        kinds.factor,
        kinds.is_dial,
        points.service,
        case
            when getvariable('meter_name') = 'title' then points.title
            else reading.usage_point
        end as meter_id,
        coalesce(
            reading.duration_s,
            kinds.length_s,
            reading.block_duration_s // nullif(reading.block_count, 0)
        ) as length_s,
        reading.start_s,
        reading.block_start_s,
        reading.place,
        kinds.refused_as
    from reading
    left join kinds on kinds.meter_reading = reading.meter_reading
    left join points on points.usage_point = reading.usage_point
),
timed as (
    select
        record, value, quality, unit, factor, is_dial, service, meter_id, length_s,
        refused_as,
        coalesce(start_s, block_start_s + place * length_s)
            + case when is_dial then coalesce(length_s, 0) else 0 end as at_s
    from joined
)
select
    record as source_line,
    meter_id,
    at_s::varchar as at_text,
    case
        when try_cast(value as double) is null then nullif(value, '')
        else (try_cast(value as double) * coalesce(factor, 1))::varchar
    end as amount_text,
    quality as quality_text,
    case when not coalesce(is_dial, false) then (length_s / 60.0)::varchar end
        as interval_text,
    null::varchar as peak_text,
    coalesce(unit, 'no reading type') as unit_text,
    case when abs(at_s) < 100000000000 then make_timestamp(at_s * 1000000) end as utc_at,
    case
        when service <> 2 then 'service_not_water'
        when refused_as is not null then refused_as
        when abs(at_s) >= 100000000000 then 'time_implausible'
        when is_dial and getvariable('amount_name') = 'volume' then 'reading_beside_volumes'
    end as refused_as
from timed
