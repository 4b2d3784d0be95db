-- grain: one total of the latest sweep; key: scope, name
-- reads: results.latest_recommendation, results.gain_sample
-- why: what all changes bring together, for a board. Samples are added up sample by sample, so that
--      what accounts share (curves of a type and size, a class's habits, the method) is in the
--      range once; the accounts' own ends must not be added up.
-- units: as the column names say
create or replace view results.fleet_total as
with latest as (
    select *
    from results.latest_recommendation
),

gain_sample as (
    select *
    from results.gain_sample
),

change as (
    select
        sweep_id,
        account_id,
        meter_id,
        verdict,
        customer_class,
        coalesce(area, 'no area') as area
    from latest
    where action = 'change'
),

named as (
    select *, 'fleet' as scope, 'all changes' as name
    from change
    union all
    select *, 'verdict' as scope, verdict as name
    from change
    union all
    select *, 'class' as scope, customer_class as name
    from change
    union all
    select *, 'area' as scope, area as name
    from change
),

summed as (
    select
        named.scope,
        named.name,
        gain_sample.sample,
        count(*) as changes,
        sum(gain_sample.volume_gain_gal_per_year) as volume_gain_gal_per_year,
        sum(gain_sample.revenue_gain_usd_per_year) as revenue_gain_usd_per_year,
        sum(gain_sample.net_benefit_usd_per_year) as net_benefit_usd_per_year
    from named
    inner join gain_sample using (sweep_id, account_id, meter_id)
    group by named.scope, named.name, gain_sample.sample
)

select
    scope,
    name,
    max(changes) as changes,
    avg(volume_gain_gal_per_year) as volume_gain_gal_per_year,
    quantile_cont(volume_gain_gal_per_year, 0.05) as volume_gain_low_gal_per_year,
    quantile_cont(volume_gain_gal_per_year, 0.95) as volume_gain_high_gal_per_year,
    avg(revenue_gain_usd_per_year) as revenue_gain_usd_per_year,
    quantile_cont(revenue_gain_usd_per_year, 0.05) as revenue_gain_low_usd_per_year,
    quantile_cont(revenue_gain_usd_per_year, 0.95) as revenue_gain_high_usd_per_year,
    avg(net_benefit_usd_per_year) as net_benefit_usd_per_year,
    quantile_cont(net_benefit_usd_per_year, 0.05) as net_benefit_low_usd_per_year,
    quantile_cont(net_benefit_usd_per_year, 0.95) as net_benefit_high_usd_per_year
from summed
group by scope, name
order by scope, name;
