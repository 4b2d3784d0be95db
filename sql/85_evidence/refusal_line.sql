-- grain: one reason, finding code or row rule; key: kind, code
-- reads: results.not_assessed, results.finding, results.rejected_read, results.sweep
-- why: what the data could not tell, what a crew should know, and which rows were refused
-- units: hit_count; accounts [account_id], so many as the page shows ($shown)
with latest as (
    select max(sweep_id) as sweep_id from results.sweep
),

reasons as (
    select
        'not assessed' as kind,
        code,
        null as severity,
        count(*) as hit_count,
        min(account_id) as example_of,
        min_by(message, account_id) as example,
        list(distinct account_id order by account_id)[:$shown] as accounts
    from results.not_assessed
    where sweep_id = (select sweep_id from latest)
    group by code
),

found as (
    select
        'finding' as kind,
        code,
        max(severity) as severity,
        count(*) as hit_count,
        min(coalesce(account_id, meter_id)) as example_of,
        min_by(message, coalesce(account_id, meter_id)) as example,
        list(distinct coalesce(account_id, meter_id) order by coalesce(account_id, meter_id))[
            :$shown
        ] as accounts
    from results.finding
    where sweep_id = (select sweep_id from latest)
    group by code
),

refused as (
    select
        'row refused' as kind,
        rule as code,
        null as severity,
        count(*) as hit_count,
        min_by(parse_filename(source_file), source_line) as example_of,
        min_by('line ' || source_line || ': ' || coalesce(value, ''), source_line) as example,
        [] as accounts
    from results.rejected_read
    group by rule
)

select
    kind,
    code,
    severity,
    hit_count,
    example_of,
    example,
    accounts
from (select * from reasons union all select * from found union all select * from refused)
order by kind, hit_count desc, code;
