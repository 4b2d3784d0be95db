-- flagged_interval: what there is to say of the landed interval reads of one lake partition.
-- grain: one read and rule; key: source_file, source_line, read_at, rule.
-- units: read_at UTC, start of the interval; value as the rule says: volumes [gal].
-- reads: the partition's lake files ($files), landing (file_hash, source_file, landed_at) and
--   known_meter (from the caller).
-- why: a flagged read stays in the lake, so it is found there by file and line when it is asked
--   for; a list of millions of estimates is never kept. Which of several reads counts is
--   decided as in 30_profile/superseded_read.
with reads as (
    select
        read.meter_id,
        read.start_at as read_at,
        read.registered_gal,
        read.quality,
        read.source_line,
        read.landed_seq,
        read.start_at + to_microseconds((read.interval_min * 60e6)::bigint) as end_at,
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
        meter_id, read_at, source_file, source_line, registered_gal,
        max(end_at) over (
            partition by meter_id order by read_at
            rows between unbounded preceding and 1 preceding
        ) as busy_until_at
    from ranked
    where place = 1 and quality <> 'missing'
)
select source_file, source_line, meter_id, read_at, 'read_' || quality as rule,
    registered_gal::varchar as value
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
from followed
where read_at < busy_until_at
union all
select source_file, source_line, meter_id, read_at, 'meter_unknown',
    registered_gal::varchar
from reads
anti join known_meter on known_meter.meter_id = reads.meter_id
