-- grain: one meter in service in the latest sweep; key: account_id, meter_id
-- reads: told_recommendation (results.recommendation in US units)
-- why: what a test may win back rests on volume; what replaces a meter, on the sweep
-- units: as the column names say
with latest as (
    select max(sweep_id) as sweep_id
    from told_recommendation
)

select
    told_recommendation.account_id,
    told_recommendation.meter_id,
    told_recommendation.installed_registered_gal_per_year as registered_gal_per_year,
    told_recommendation.action,
    told_recommendation.recommended_type,
    told_recommendation.recommended_size_in,
    told_recommendation.recommended_grade
from told_recommendation
inner join latest on told_recommendation.sweep_id = latest.sweep_id
order by told_recommendation.account_id, told_recommendation.meter_id;
