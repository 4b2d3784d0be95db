-- question: Which constraint rejects candidate meters, by type?
-- grain: one meter type and constraint; key: meter_type, rejected_because
-- reads: candidate, sweep
-- why: shows the limiting factor: peak flow, sustained flow, head loss, stock list or rule
-- units: none
with latest_candidate as (
    select *
    from candidate
    where sweep_id = (select max(sweep_id) from sweep)
)

select
    meter_type,
    rejected_because,
    count(*) as candidates,
    count(distinct account_id) as accounts
from latest_candidate
where not feasible
group by meter_type, rejected_because
order by candidates desc, meter_type, rejected_because
limit 20;
