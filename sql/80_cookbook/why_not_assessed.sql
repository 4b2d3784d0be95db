-- question: Which accounts have no verdict, and why?
-- grain: one reason; key: code
-- reads: not_assessed, sweep
-- why: what data or field work would make them assessable
-- units: none
with latest_not_assessed as (
    select *
    from not_assessed
    where sweep_id = (select max(sweep_id) from sweep)
)

select
    code,
    count(distinct account_id) as accounts,
    min(account_id) as for_example,
    any_value(message order by account_id) as its_message
from latest_not_assessed
group by code
order by accounts desc, code;
