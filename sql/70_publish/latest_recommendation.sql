-- grain: one meter in service in the latest sweep; key: account_id, meter_id
-- reads: results.recommendation, results.sweep
-- why: most questions are about the present; no filter on the sweep is needed
-- units: as the column names say
create or replace view results.latest_recommendation as
with recommendation as (
    select *
    from results.recommendation
),

latest_sweep as (
    select max(sweep_id) as sweep_id
    from results.sweep
)

select
    recommendation.sweep_id,
    recommendation.account_id,
    recommendation.meter_id,
    recommendation.customer_name,
    recommendation.area,
    recommendation.service_address,
    recommendation.customer_class,
    recommendation.service_kind,
    recommendation.installed_type,
    recommendation.installed_size_in,
    recommendation.installed_grade,
    recommendation.verdict,
    recommendation.action,
    recommendation.recommended_type,
    recommendation.recommended_size_in,
    recommendation.recommended_grade,
    recommendation.installed_registered_gal_per_year,
    recommendation.expected_actual_gal_per_year,
    recommendation.recommended_registered_gal_per_year,
    recommendation.installed_accuracy_pct,
    recommendation.recommended_accuracy_pct,
    recommendation.accuracy_gain_pct,
    recommendation.accuracy_gain_low_pct,
    recommendation.accuracy_gain_high_pct,
    recommendation.volume_gain_gal_per_year,
    recommendation.volume_gain_low_gal_per_year,
    recommendation.volume_gain_high_gal_per_year,
    recommendation.gain_correction_factor,
    recommendation.bill_usd_per_year,
    recommendation.recommended_bill_usd_per_year,
    recommendation.revenue_gain_usd_per_year,
    recommendation.revenue_gain_low_usd_per_year,
    recommendation.revenue_gain_high_usd_per_year,
    recommendation.net_benefit_usd_per_year,
    recommendation.net_benefit_low_usd_per_year,
    recommendation.net_benefit_high_usd_per_year,
    recommendation.renewal_gain_usd_per_year,
    recommendation.net_present_value_usd,
    recommendation.payback_years,
    recommendation.fixed_charge_change_usd_per_year,
    recommendation.change_cost_usd,
    recommendation.possible_cost_usd,
    recommendation.annual_cost_usd_per_year,
    recommendation.peak_10s_gpm,
    recommendation.peak_10s_low_gpm,
    recommendation.peak_10s_high_gpm,
    recommendation.peak_1min_gpm,
    recommendation.peak_1min_low_gpm,
    recommendation.peak_1min_high_gpm,
    recommendation.peak_60min_gpm,
    recommendation.sustained_60min_gpm,
    recommendation.low_flow_share,
    recommendation.unseen_share_of_gain,
    recommendation.expected_value_of_logging_usd,
    recommendation.odds_of_benefit,
    recommendation.odds_of_fit,
    recommendation.odds_of_undersized,
    recommendation.head_loss_at_peak_psi,
    recommendation.assembly_loss_at_peak_psi,
    recommendation.spare_head_psi,
    recommendation.installed_continuous_gpm,
    recommendation.installed_smoc_gpm,
    recommendation.runner_up,
    recommendation.runner_up_type,
    recommendation.runner_up_size_in,
    recommendation.runner_up_grade,
    recommendation.runner_up_net_benefit_usd_per_year,
    recommendation.days_covered,
    recommendation.reason,
    recommendation.settled_verdict,
    recommendation.settled_action,
    recommendation.sweeps_held
from recommendation
inner join latest_sweep on recommendation.sweep_id = latest_sweep.sweep_id;
