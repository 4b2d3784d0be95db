-- judged_read: every row of the file at hand, typed, with the rule it breaks.
-- grain: one row a read of the file. key: source_line.
-- units: amount in the file's own unit; gal_per_unit [gal]; stamp_at is UTC where is_utc,
--   else wall clock of the export's zone; interval_min [min]; peak_gpm [gpm].
-- reads: raw_read (all text, made by the layout's module), the macros stamp_at,
--   is_utc_stamp, amount_of, quality_of, gal_of_unit and the variables of one landing.
-- why: a read is refused here once, by the first rule it breaks; the rules and their
--   meanings are listed in 20_validate/read_rule.sql.
create or replace temp table judged_read as
with raw as (from raw_read),
typed as (
    select
        source_line,
        trim(meter_id) as meter_id,
        trim(at_text) as at_text,
        coalesce(utc_at, stamp_at(trim(at_text))) as stamp_at,
        utc_at is not null or is_utc_stamp(trim(at_text)) as is_utc,
        trim(amount_text) as amount_text,
        amount_of(trim(amount_text)) as amount,
        quality_of(trim(quality_text)) as quality,
        unit_text,
        gal_of_unit(trim(unit_text)) as gal_per_unit,
        interval_text,
        try_cast(interval_text as float) as interval_min,
        try_cast(peak_text as float) as peak_gpm,
        refused_as
    from raw
),
ruled as (
    select
        source_line, meter_id, at_text, stamp_at, is_utc, amount_text, amount, quality,
        unit_text, gal_per_unit, interval_text, interval_min, peak_gpm, refused_as,
        case
            when refused_as is not null then refused_as
            when stamp_at is null and lower(at_text) = lower(getvariable('at_column'))
                then 'repeated_header'
            when coalesce(meter_id, '') = '' then 'meter_missing'
            when coalesce(at_text, '') = '' and stamp_at is null then 'time_missing'
            when stamp_at is null then 'time_unreadable'
            when stamp_at < getvariable('earliest_at')
                or stamp_at > getvariable('latest_at') then 'time_implausible'
            when interval_text is not null
                and not coalesce(interval_min > 0 and interval_min <= 1440, false)
                then 'interval_unreadable'
            when gal_per_unit is null then 'unit_unknown'
            when coalesce(amount_text, '') = '' then null
            when amount is null then getvariable('amount_name') || '_unreadable'
            when not isfinite(amount) then getvariable('amount_name') || '_not_finite'
            when amount < 0 then getvariable('amount_name') || '_negative'
        end as rule
    from typed
)
select
    source_line,
    meter_id,
    stamp_at,
    is_utc,
    case when isfinite(amount) then amount end as amount,
    gal_per_unit,
    case when coalesce(amount_text, '') = '' then 'missing' else quality end as quality,
    interval_min,
    peak_gpm,
    rule,
    case
        when rule is null then null
        when rule like 'time%' then at_text
        when rule like 'interval%' then interval_text
        when rule like 'unit%' then unit_text
        when rule in ('meter_missing', 'repeated_header') or refused_as is not null
            then concat_ws(',', meter_id, at_text, amount_text)
        else amount_text
    end as value
from ruled
