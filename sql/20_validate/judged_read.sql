-- judged_read: every row of the file at hand with the first rule it breaks, if any.
-- grain: one row a read of the file; key: source_line (layout wide: and stamp_at).
-- units: as typed_read.
-- reads: typed_read and the variables of one landing.
-- why: a read is refused once, by name; the rules and their meanings are listed in
--   20_validate/read_rule.sql. A row without an amount breaks no rule: it is missing.
--   has_odd_stamp, has_odd_amount and has_odd_peak (10_land/odd_read) tell whether any read of
--   the file lies outside the bounds at all: where none does, no read is held against them.
create or replace temp view judged_read as
with typed as (from typed_read),
ruled as (
    select
        source_line, meter_id, at_text, stamp_at, is_utc, amount_text, amount, quality,
        unit_text, gal_per_unit, interval_text, interval_min, peak_gpm, refused_as,
        case
            when refused_as is not null then refused_as
            when stamp_at is null and lower(at_text) = lower(getvariable('at_column'))
                then 'repeated_header'
            when coalesce(meter_id, '') = '' then 'meter_missing'
            when stamp_at is null and at_text is null then 'time_missing'
            when stamp_at is null then 'time_unreadable'
            when getvariable('has_odd_stamp') and (
                stamp_at < getvariable('earliest_at')
                or stamp_at > getvariable('latest_at')
            ) then 'time_implausible'
            when interval_text is not null
                and not coalesce(interval_min > 0 and interval_min <= 1440, false)
                then 'interval_unreadable'
            when gal_per_unit is null then 'unit_unknown'
            when amount is null and amount_text is not null
                then getvariable('amount_name') || '_unreadable'
            when getvariable('has_odd_amount') and not isfinite(amount)
                then getvariable('amount_name') || '_not_finite'
            when getvariable('has_odd_amount') and amount < 0
                then getvariable('amount_name') || '_negative'
            when getvariable('has_odd_peak')
                and not peak_gpm between 0 and getvariable('max_flow_gpm')
                then 'peak_implausible'
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
    case
        when amount is null and amount_text is null then 'missing'::quality_word
        else quality
    end as quality,
    case when interval_min > 0 and interval_min <= 1440 then interval_min end as interval_min,
    case when isfinite(peak_gpm) then peak_gpm end as peak_gpm,
    rule,
    case
        when rule is null then null
        when rule like 'peak%' then peak_gpm::varchar
        when rule like 'time%' then coalesce(at_text, stamp_at::varchar)
        when rule like 'interval%' then interval_text
        when rule like 'unit%' then unit_text
        when rule in ('meter_missing', 'repeated_header') or refused_as is not null
            then concat_ws(',', meter_id, at_text, amount_text)
        else coalesce(amount_text, regexp_replace(amount::varchar, '\.0$', ''))
    end as value
from ruled
