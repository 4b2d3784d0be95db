-- grain: one meter that changed since the previous sweep; key: account_id, meter_id
-- reads: results.changed_since_previous_sweep, results.latest_recommendation
-- why: what changed, by net benefit, before what the previous sweep did not have; the page shows
--      the first $shown
-- units: as the column names say
select
    moved.account_id,
    moved.meter_id,
    moved.customer_class,
    moved.change,
    moved.previous_verdict,
    moved.verdict,
    moved.previous_action,
    moved.action,
    latest.installed_type,
    latest.installed_size_in,
    moved.previous_recommended_type,
    moved.previous_recommended_size_in,
    moved.recommended_type,
    moved.recommended_size_in,
    moved.net_benefit_usd_per_year,
    moved.previous_net_benefit_usd_per_year,
    moved.why,
    count(*) over () as moved_count,
    count(*) filter (where moved.change = 'new') over () as new_count
from results.changed_since_previous_sweep as moved
left join results.latest_recommendation as latest
    on moved.account_id = latest.account_id and moved.meter_id = latest.meter_id
order by moved.change = 'new', abs(
    coalesce(moved.net_benefit_usd_per_year, 0)
    - coalesce(moved.previous_net_benefit_usd_per_year, 0)
) desc, moved.account_id, moved.meter_id
limit $shown;
