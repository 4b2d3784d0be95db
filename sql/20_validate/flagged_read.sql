-- flagged_read: flags on the landed reads of one lake partition, of either kind.
-- grain: one read and rule; key: source_file, source_line, read_at, rule.
-- units: read_at UTC; value as the rule says: volumes and readings [gal].
-- reads: known_meter (from the caller) and flag_read, from flag_interval or flag_register.
-- why: flagged reads stay in the lake and are looked up by file and line on request; a list of
--   millions of estimates is not stored. Which of several reads counts is decided as in
--   30_profile/superseded_read. A register reading is compared with the previous one; whether a
--   decrease is a rollover, a reset or reverse flow is decided by
--   30_profile/interval_from_register from more than two readings.
with reads as (from flag_read),
ranked as (
    select
        reads.*,
        row_number() over best as place,
        first_value(source_file) over best as better_file,
        first_value(source_line) over best as better_line
    from reads
    window best as (
        partition by meter_id, read_at
        order by
            quality = 'missing',
            landed_seq // 100000000 desc,
            quality in ('estimated', 'questionable'),
            landed_seq desc,
            source_line desc
    )
),
timed as (
    select
        meter_id, read_at, source_file, source_line,
        max(end_at) over (
            partition by meter_id order by read_at
            rows between unbounded preceding and 1 preceding
        ) as busy_until_at
    from ranked
    where place = 1 and quality <> 'missing'
),
risen as (
    select
        meter_id, read_at, source_file, source_line, amount_gal,
        lag(amount_gal) over (partition by meter_id order by read_at) as before_gal
    from ranked
    where place = 1 and quality <> 'missing' and is_reading and amount_gal is not null
)
select source_file, source_line, meter_id, read_at, 'read_' || quality as rule,
    amount_gal::varchar as value
from reads
where quality <> 'measured'
union all
select source_file, source_line, meter_id, read_at, 'time_future',
    'landed ' || strftime(landed_at, '%Y-%m-%d %H:%M')
from reads
where read_at > landed_at
union all
select source_file, source_line, meter_id, read_at,
    case when better_file = source_file then 'read_repeated' else 'read_superseded' end,
    better_file || ' line ' || better_line
from ranked
where place > 1
union all
select source_file, source_line, meter_id, read_at, 'read_overlapping',
    'the read before ends ' || strftime(busy_until_at, '%Y-%m-%d %H:%M')
from timed
where read_at < busy_until_at
union all
select source_file, source_line, meter_id, read_at, 'reading_fell',
    round(before_gal, 3) || ' before, ' || round(amount_gal, 3) || ' now'
from risen
where amount_gal < before_gal
union all
select source_file, source_line, meter_id, read_at, 'meter_unknown', amount_gal::varchar
from reads
anti join known_meter on known_meter.meter_id = reads.meter_id
