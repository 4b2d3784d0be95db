-- grain: one change-out; key: account_id, removed_meter_id, changed_on, kind
-- reads: results.realised_gain, recommendation, latest_recommendation
-- why: what came of each change-out against what was promised, in words that can be counted. Money
--      to date is the gain over the days with reads since the change, at the volumetric price of
--      the promise, or of the class's recommendations where nothing was promised.
-- units: as the column names say
create or replace view results.change_out_result as
with realised_gain as (
    select *
    from results.realised_gain
),

recommendation as (
    select *
    from results.recommendation
),

latest as (
    select *
    from results.latest_recommendation
),

class_price as (
    select
        customer_class,
        sum(revenue_gain_usd_per_year) / sum(volume_gain_gal_per_year) as usd_per_volume
    from latest
    where volume_gain_gal_per_year > 0
    group by customer_class
),

fleet_price as (
    select sum(revenue_gain_usd_per_year) / sum(volume_gain_gal_per_year) as usd_per_volume
    from latest
    where volume_gain_gal_per_year > 0
),

promise as (
    select
        sweep_id,
        account_id,
        meter_id,
        revenue_gain_usd_per_year / volume_gain_gal_per_year as usd_per_volume
    from recommendation
    where volume_gain_gal_per_year > 0
),

removed_meter as (
    select
        account_id,
        meter_id,
        arg_max(installed_type, sweep_id) as removed_type,
        arg_max(installed_size_in, sweep_id) as removed_size_in
    from recommendation
    group by account_id, meter_id
),

told as (
    select
        realised_gain.*,
        latest.customer_name,
        latest.area,
        latest.customer_class,
        removed_meter.removed_type,
        removed_meter.removed_size_in,
        latest.installed_type,
        latest.installed_size_in,
        coalesce(promise.usd_per_volume, class_price.usd_per_volume, fleet_price.usd_per_volume)
        * realised_gain.days_after / 365.25 as usd_per_yearly_volume,
        (realised_gain.realised_gain_high_pct - realised_gain.realised_gain_low_pct)
        / nullif(
            realised_gain.realised_gain_high_gal_per_year
            - realised_gain.realised_gain_low_gal_per_year,
            0
        ) as pct_per_volume
    from realised_gain
    left join latest
        on
            realised_gain.account_id = latest.account_id
            and realised_gain.meter_id = latest.meter_id
    left join removed_meter
        on
            realised_gain.account_id = removed_meter.account_id
            and realised_gain.removed_meter_id = removed_meter.meter_id
    left join promise
        on
            realised_gain.promised_sweep_id = promise.sweep_id
            and realised_gain.account_id = promise.account_id
            and realised_gain.removed_meter_id = promise.meter_id
    left join class_price on latest.customer_class = class_price.customer_class
    cross join fleet_price
)

select
    account_id,
    customer_name,
    area,
    customer_class,
    removed_meter_id,
    meter_id,
    changed_on,
    kind,
    removed_type,
    removed_size_in,
    installed_type,
    installed_size_in,
    case
        when code is null then 'judged'
        when code = 'too_few_periods_after' then 'too_young'
        when code in ('multiplier', 'vacancy', 'leak_repaired', 'change_of_use') then 'set_aside'
        else 'refused'
    end as standing,
    case
        when realised_gain_low_pct > 0 then 'gain'
        when realised_gain_high_pct < 0 then 'loss'
        when realised_gain_pct is not null then 'not_shown'
    end as came,
    case
        when realised_gain_high_gal_per_year < promised_gain_gal_per_year then 'short'
        when realised_gain_low_gal_per_year > promised_gain_gal_per_year then 'more'
        when realised_gain_pct is not null and promised_gain_gal_per_year is not null then 'held'
    end as against_promise,
    code,
    promised_sweep_id,
    promised_gain_gal_per_year,
    promised_gain_low_gal_per_year,
    promised_gain_high_gal_per_year,
    promised_gain_gal_per_year * pct_per_volume as promised_gain_pct,
    promised_gain_low_gal_per_year * pct_per_volume as promised_gain_low_pct,
    promised_gain_high_gal_per_year * pct_per_volume as promised_gain_high_pct,
    realised_gain_gal_per_year,
    realised_gain_low_gal_per_year,
    realised_gain_high_gal_per_year,
    realised_gain_pct,
    realised_gain_low_pct,
    realised_gain_high_pct,
    realised_gain_gal_per_year * days_after / 365.25 as realised_to_date_gal,
    realised_gain_low_gal_per_year * days_after / 365.25 as realised_to_date_low_gal,
    realised_gain_high_gal_per_year * days_after / 365.25 as realised_to_date_high_gal,
    realised_gain_gal_per_year * usd_per_yearly_volume as realised_to_date_usd,
    realised_gain_low_gal_per_year * usd_per_yearly_volume as realised_to_date_low_usd,
    realised_gain_high_gal_per_year * usd_per_yearly_volume as realised_to_date_high_usd,
    days_before,
    days_after,
    matched_accounts
from told
order by realised_gain_gal_per_year desc nulls last, account_id, changed_on;
