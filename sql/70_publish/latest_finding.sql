-- grain: one meter and code of the latest sweep; key: account_id, meter_id, code
-- reads: results.finding, results.latest_recommendation, results.sweep
-- why: work for a field crew or an analyst, most serious first, with customer and address
-- units: none (evidence has its own)
create or replace view results.latest_finding as
with finding as (
    select *
    from results.finding
),

latest_recommendation as (
    select *
    from results.latest_recommendation
),

latest_sweep as (
    select max(sweep_id) as sweep_id
    from results.sweep
)

select
    finding.account_id,
    finding.meter_id,
    finding.code,
    finding.severity,
    finding.message,
    latest_recommendation.verdict,
    latest_recommendation.action,
    latest_recommendation.customer_name,
    latest_recommendation.area,
    latest_recommendation.service_address,
    latest_recommendation.customer_class,
    finding.evidence
from finding
inner join latest_sweep on finding.sweep_id = latest_sweep.sweep_id
left join latest_recommendation
    on
        finding.account_id = latest_recommendation.account_id
        and finding.meter_id = latest_recommendation.meter_id
order by
    case finding.severity when 'serious' then 1 when 'warning' then 2 else 3 end,
    finding.code, finding.account_id, finding.meter_id;
