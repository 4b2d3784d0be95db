-- grain: one reason, finding or rule; key: what
-- reads: results.not_assessed, results.finding, results.rejected_read, results.sweep
-- why: accounts not assessed, findings (most severe first) and rejected rows, for the closing
--      summary
-- units: count
with latest as (
    select max(sweep_id) as sweep_id from results.sweep
),

reasons as (
    select
        1 as place,
        'not assessed: ' || replace(code, '_', ' ') as what,
        0 as gravity,
        count(*) as hits,
        min(message) as example
    from results.not_assessed
    where sweep_id = (select sweep_id from latest)
    group by code
),

found as (
    select
        2 as place,
        'finding: ' || replace(code, '_', ' ') as what,
        min(list_position(['serious', 'warning', 'info'], severity)) as gravity,
        count(*) as hits,
        min_by(message, coalesce(account_id, meter_id)) as example
    from results.finding
    where sweep_id = (select sweep_id from latest)
    group by code
),

refused as (
    select
        3 as place,
        'rejected rows: ' || replace(rule, '_', ' ') as what,
        0 as gravity,
        count(*) as hits,
        min_by(parse_filename(source_file) || ' line ' || source_line, source_line) as example
    from results.rejected_read
    group by rule
)

select
    what,
    hits,
    example
from (select * from reasons union all select * from found union all select * from refused)
order by place, gravity, hits desc, what;
