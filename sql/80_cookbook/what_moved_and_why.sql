-- question: What moved since the sweep before, and what moved it?
-- grain: one kind of change and cause; key: change, previous_verdict, verdict, why
-- reads: changed_since_previous_sweep
-- why: a monthly review begins here
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
