-- question: How many change-outs bring half of the revenue at stake, and how many 80 %?
-- grain: one share of the revenue; key: revenue_share
-- reads: revenue_at_stake
-- why: a program can often stop early
-- units: revenue_share [share 0 to 1]; others as the column names say
with stake as (
    select *
    from revenue_at_stake
),

wanted as (
    select unnest([0.5, 0.8, 0.95]::double[]) as revenue_share
)

select
    wanted.revenue_share,
    min(stake.place) as change_outs,
    (select count(*) from stake) as of_flagged_meters,
    min(stake.running_revenue_gain_usd_per_year) as revenue_gain_usd_per_year
from wanted
inner join stake on stake.running_revenue_share >= wanted.revenue_share
group by wanted.revenue_share
order by wanted.revenue_share;
