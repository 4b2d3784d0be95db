-- question: At which flow rates does each class use its water?
-- grain: one customer class; key: customer_class
-- reads: flow_band, profile, latest_recommendation
-- why: shows what a meter for the class must measure; accounts are weighted by volume
-- units: shares of actual volume, 0 to 1; 1 and 10 are gpm (m3/h if units are metric)
with band as (
    select *
    from flow_band
),

account as (
    select *
    from profile
),

latest as (
    select *
    from latest_recommendation
),

volume as (
    select
        latest.customer_class,
        band.band_from_gpm,
        band.actual_volume_share * account.actual_gal_per_year as actual_gal_per_year
    from latest
    inner join account
        on latest.sweep_id = account.sweep_id and latest.meter_id = account.meter_id
    inner join band
        on latest.sweep_id = band.sweep_id and latest.meter_id = band.meter_id
)

select
    customer_class,
    sum(actual_gal_per_year) as actual_gal_per_year,
    sum(actual_gal_per_year) filter (where band_from_gpm < 1) / sum(actual_gal_per_year)
        as below_1_share,
    sum(actual_gal_per_year) filter (where band_from_gpm >= 1 and band_from_gpm < 10)
    / sum(actual_gal_per_year) as from_1_to_10_share,
    sum(actual_gal_per_year) filter (where band_from_gpm >= 10) / sum(actual_gal_per_year)
        as above_10_share
from volume
group by customer_class
having sum(actual_gal_per_year) > 0
order by actual_gal_per_year desc, customer_class;
