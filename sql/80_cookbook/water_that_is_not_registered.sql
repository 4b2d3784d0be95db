-- question: How much water is not registered, by class, and within what range?
-- grain: one customer class; key: customer_class
-- reads: profile, latest_recommendation
-- why: the apparent loss of the meters, for the water audit. The ends of the ranges are sums of
--      the accounts' ends, which is wider than the range of the sum.
-- units: as the column names say
with account as (
    select *
    from profile
),

latest as (
    select *
    from latest_recommendation
)

select
    latest.customer_class,
    count(*) as meters,
    sum(account.registered_gal_per_year) as registered_gal_per_year,
    sum(account.actual_gal_per_year - account.registered_gal_per_year)
        as unregistered_gal_per_year,
    sum(account.actual_low_gal_per_year - account.registered_gal_per_year)
        as unregistered_low_gal_per_year,
    sum(account.actual_high_gal_per_year - account.registered_gal_per_year)
        as unregistered_high_gal_per_year
from latest
inner join account
    on latest.sweep_id = account.sweep_id and latest.meter_id = account.meter_id
group by latest.customer_class
order by unregistered_gal_per_year desc, latest.customer_class;
