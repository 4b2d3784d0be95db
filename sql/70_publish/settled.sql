-- grain: one recommendation of the sweep being published; key: account_id, meter_id
-- reads: new_recommendation, results.recommendation, results.sweep
-- why: damps changes. A verdict or action that differs from the previous sweep, for the same
--      meter, settings, catalog and code, was changed by new reads alone: the settled one stays
--      until a second consecutive sweep confirms it. Any other cause, and entering or leaving
--      not_assessed, settles at once. sweeps_held counts consecutive sweeps with the same
--      verdict, action and recommended meter.
-- units: none
create or replace temp table settled as
with new_recommendation as (
    select *
    from new_recommendation
),

sweep as (
    select *
    from results.sweep
    where sweep_id = $sweep_id
),

previous_sweep as (
    select *
    from results.sweep
    where sweep_id = (select max(sweep_id) from results.sweep where sweep_id < $sweep_id)
),

previous as (
    select
        recommendation.*,
        previous_sweep.config_hash = sweep.config_hash
        and previous_sweep.catalogue_hash = sweep.catalogue_hash
        and previous_sweep.code_version = sweep.code_version as is_alike
    from results.recommendation
    inner join previous_sweep on recommendation.sweep_id = previous_sweep.sweep_id
    cross join sweep
),

compared as (
    select
        new_recommendation.account_id,
        new_recommendation.meter_id,
        new_recommendation.verdict,
        new_recommendation.action,
        previous.settled_verdict as last_settled_verdict,
        previous.settled_action as last_settled_action,
        previous.sweeps_held as last_sweeps_held,
        new_recommendation.verdict = previous.verdict
        and new_recommendation.action = previous.action as is_repeated,
        new_recommendation.recommended_type is not distinct from previous.recommended_type
        and new_recommendation.recommended_size_in
        is not distinct from previous.recommended_size_in
        and new_recommendation.recommended_grade
        is not distinct from previous.recommended_grade as is_same_meter,
        previous.is_alike
        and new_recommendation.installed_type is not distinct from previous.installed_type
        and new_recommendation.installed_size_in
        is not distinct from previous.installed_size_in
        and new_recommendation.verdict <> 'not_assessed'
        and previous.verdict <> 'not_assessed' as is_moved_by_reads
    from new_recommendation
    left join previous
        on
            new_recommendation.account_id = previous.account_id
            and new_recommendation.meter_id = previous.meter_id
)

select
    account_id,
    meter_id,
    case
        when is_moved_by_reads and not is_repeated then last_settled_verdict else verdict
    end as settled_verdict,
    case
        when is_moved_by_reads and not is_repeated then last_settled_action else action
    end as settled_action,
    case when is_repeated and is_same_meter then last_sweeps_held + 1 else 1 end as sweeps_held
from compared;
