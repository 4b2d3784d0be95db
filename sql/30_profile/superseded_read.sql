-- grain: one landed interval read that does not count; key: read_key
-- reads: keyed_read
-- why: of several reads of one meter and start the one of an export that supersedes the other
--      counts (100,000,000 of landed_seq a step), then a measured or edited one before an
--      estimate, then the one of the later file; a missing one last. A read that begins before
--      an earlier-starting one has ended tells the same water twice. Few reads are superseded,
--      so only starts that stand twice are ranked
-- units: none
create or replace temp table superseded_read as
with contested as (
    select
        meter_key,
        start_at
    from keyed_read
    group by meter_key, start_at
    having count(*) > 1
),

ranked as (
    select
        keyed_read.read_key,
        row_number() over (
            partition by keyed_read.meter_key, keyed_read.start_at
            order by
                keyed_read.quality = 'missing',
                keyed_read.landed_seq // 100000000 desc,
                keyed_read.quality in ('estimated', 'questionable'),
                keyed_read.landed_seq desc,
                keyed_read.source_line desc,
                keyed_read.read_key desc
        ) as place
    from keyed_read
    join contested
        on keyed_read.meter_key = contested.meter_key
        and keyed_read.start_at = contested.start_at
),

repeated as (
    select read_key from ranked where place > 1
),

firsts as (
    select
        read_key,
        meter_key,
        start_at,
        start_at + to_microseconds((interval_min * 60e6)::bigint) as end_at
    from keyed_read
    where quality <> 'missing' and read_key not in (select read_key from repeated)
),

followed as (
    select
        read_key,
        start_at,
        max(end_at) over (
            partition by meter_key
            order by start_at
            rows between unbounded preceding and 1 preceding
        ) as busy_until_at
    from firsts
)

select read_key from repeated
union all
select read_key from followed where start_at < busy_until_at;
