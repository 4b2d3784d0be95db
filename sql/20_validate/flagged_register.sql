-- flagged_register: what there is to say of the landed register readings of one bucket.
-- grain: one reading and rule; key: source_file, source_line, read_at, rule.
-- units: read_at UTC; value as the rule says: readings [gal].
-- reads: the bucket's lake files of all months ($files), landing (file_hash, source_file,
--   landed_at) and known_meter (from the caller).
-- why: as flagged_interval. A reading is held against the one before it, which may lie in
--   another month; whether a fall is a rollover, a reset or water that ran back is told by
--   30_profile/interval_from_register from more than two readings.
with reads as (
    select
        read.meter_id,
        read.read_at,
        read.reading_gal,
        read.quality,
        read.source_line,
        read.landed_seq,
        landing.source_file,
        landing.landed_at
    from read_parquet($files, filename = true, hive_partitioning = false) as read
    join landing on landing.file_hash = parse_filename(read.filename, true)
),
ranked as (
    select
        reads.*,
        row_number() over best as place,
        first_value(source_file) over best as better_file,
        first_value(source_line) over best as better_line
    from reads
    window best as (
        partition by meter_id, read_at
        order by quality = 'missing', landed_seq desc, source_line desc
    )
),
followed as (
    select
        meter_id, read_at, source_file, source_line, reading_gal,
        lag(reading_gal) over (partition by meter_id order by read_at) as before_gal
    from ranked
    where place = 1 and quality <> 'missing' and reading_gal is not null
)
select source_file, source_line, meter_id, read_at, 'read_' || quality as rule,
    reading_gal::varchar as value
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
select source_file, source_line, meter_id, read_at, 'reading_fell',
    round(before_gal, 3) || ' before, ' || round(reading_gal, 3) || ' now'
from followed
where reading_gal < before_gal
union all
select source_file, source_line, meter_id, read_at, 'meter_unknown', reading_gal::varchar
from reads
anti join known_meter on known_meter.meter_id = reads.meter_id
