-- question: What changed since the previous sweep, and why?
-- grain: one kind of change and cause; key: change, previous_verdict, verdict, why
-- reads: changed_since_previous_sweep
-- why: the start of a monthly review
-- units: as the column names say
select
    change,
    previous_verdict,
    verdict,
    why,
    count(*) as meters,
    sum(
        coalesce(net_benefit_usd_per_year, 0) - coalesce(previous_net_benefit_usd_per_year, 0)
    ) as moved_net_benefit_usd_per_year
from changed_since_previous_sweep
group by change, previous_verdict, verdict, why
order by meters desc, change, previous_verdict, verdict, why;
