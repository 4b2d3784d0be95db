-- grain: one sweep and meter that it recommended to change; key: promised_sweep_id, meter_id
-- reads: kept_recommendation, the recommendations of all published sweeps in US units; sweep
-- why: a change-out is judged by what was promised before it, also if the model moved since
-- units: *_gal_per_year [gal/year]; size [in]
select
    kept_recommendation.account_id,
    kept_recommendation.meter_id,
    kept_recommendation.recommended_type as promised_type,
    kept_recommendation.recommended_size_in as promised_size_in,
    sweep.started_at as promised_at,
    kept_recommendation.sweep_id as promised_sweep_id,
    kept_recommendation.volume_gain_gal_per_year as promised_gain_gal_per_year,
    kept_recommendation.volume_gain_low_gal_per_year as promised_gain_low_gal_per_year,
    kept_recommendation.volume_gain_high_gal_per_year as promised_gain_high_gal_per_year,
    kept_recommendation.expected_actual_gal_per_year
    - kept_recommendation.installed_registered_gal_per_year
        as missed_inferred_gal_per_year,
    kept_recommendation.gain_correction_factor as promised_correction_factor
from kept_recommendation
inner join results.sweep on kept_recommendation.sweep_id = sweep.sweep_id
where
    kept_recommendation.recommended_type is not null
    and kept_recommendation.action = 'change'
order by promised_sweep_id, kept_recommendation.account_id, kept_recommendation.meter_id;
