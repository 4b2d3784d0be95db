-- grain: one step of days covered; key: from_days
-- reads: results.profile, results.sweep
-- why: how many meters have a full year of reads, and how much of it is estimated
-- units: from_days [days]; estimated_share 0 to 1
select
    least(floor(days_covered / 30) * 30, 360)::integer as from_days,
    count(*) as meters,
    avg(estimated_share) as estimated_share
from results.profile
where sweep_id = (select max(sweep_id) from results.sweep)
group by from_days
order by from_days desc;
