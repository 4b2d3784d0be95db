-- grain: one feasible meter at a meter in service; key: account_id, meter_id,
--        meter_type, size_in, grade
-- reads: results.latest_recommendation, results.candidate
-- why: a program chooses among all meters that fit and pay, at accounts to be changed
-- units: as the column names say; bound parameters are probabilities and USD per year
with latest as (
    select *
    from results.latest_recommendation
),

candidate as (
    select *
    from results.candidate
)

select
    latest.account_id,
    latest.meter_id,
    latest.customer_name,
    latest.area,
    latest.customer_class,
    latest.verdict,
    latest.installed_type,
    latest.installed_size_in,
    candidate.meter_type,
    candidate.size_in,
    candidate.grade,
    candidate.change_cost_usd,
    candidate.net_present_value_usd,
    candidate.net_benefit_usd_per_year,
    candidate.net_benefit_low_usd_per_year,
    candidate.net_benefit_high_usd_per_year,
    candidate.odds_of_benefit,
    candidate.odds_of_fit,
    candidate.rank,
    candidate.meter_type = latest.recommended_type
    and candidate.size_in = latest.recommended_size_in
    and candidate.grade is not distinct from latest.recommended_grade as is_recommended
from latest
inner join candidate
    on
        latest.sweep_id = candidate.sweep_id
        and latest.account_id = candidate.account_id
        and latest.meter_id = candidate.meter_id
where
    latest.action = 'change'
    and candidate.feasible
    and not candidate.is_installed
    and (
        latest.verdict = 'undersized'
        or (
            (
                candidate.rejected_because is null
                or (
                    candidate.rejected_because = 'less_benefit'
                    and candidate.odds_of_benefit >= $odds_of_benefit
                )
            )
            and candidate.net_benefit_usd_per_year >= $min_net_benefit_usd_per_year
        )
    )
order by latest.account_id, latest.meter_id, candidate.rank
