-- question: How has the fleet changed from sweep to sweep?
-- grain: one sweep; key: sweep_id
-- reads: recommendation, sweep
-- why: shows whether change-outs reduce the loss
-- units: as the column names say
with per_sweep as (
    select *
    from sweep
),

verdict as (
    select
        sweep_id,
        count(*) filter (where verdict in ('oversized', 'undersized', 'wrong_type')) as flagged,
        count(*) filter (where action = 'change') as to_change,
        sum(net_benefit_usd_per_year) filter (where action = 'change')
            as net_benefit_usd_per_year
    from recommendation
    group by sweep_id
)

select
    per_sweep.sweep_id,
    per_sweep.started_at,
    per_sweep.accounts,
    per_sweep.not_assessed,
    verdict.flagged,
    verdict.to_change,
    verdict.net_benefit_usd_per_year
from per_sweep
inner join verdict on per_sweep.sweep_id = verdict.sweep_id
order by per_sweep.sweep_id;
