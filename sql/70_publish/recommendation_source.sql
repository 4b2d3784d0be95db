-- grain: one sweep, meter in service, profile month and landed file of its bucket
-- key: sweep_id, account_id, meter_id, month, kind, file_hash
-- reads: results.recommendation, profile, profile_source, landed_file, sweep
-- why: traces a recommendation to its files. Files are listed by bucket: a file listed here has
--      reads of this meter or of others in its bucket.
-- units: none
create or replace view results.recommendation_source as
with recommendation as (
    select *
    from results.recommendation
),

profile as (
    select *
    from results.profile
),

profile_source as (
    select *
    from results.profile_source
),

landed_file as (
    select *
    from results.landed_file
),

sweep as (
    select *
    from results.sweep
)

select
    recommendation.sweep_id,
    recommendation.account_id,
    recommendation.meter_id,
    recommendation.verdict,
    profile_source.month,
    profile_source.kind,
    profile_source.file_hash,
    landed_file.path,
    landed_file.landed_at
from recommendation
inner join sweep on recommendation.sweep_id = sweep.sweep_id
inner join profile
    on
        recommendation.sweep_id = profile.sweep_id
        and recommendation.account_id = profile.account_id
        and recommendation.meter_id = profile.meter_id
inner join profile_source
    on
        recommendation.sweep_id = profile_source.sweep_id
        and md5_number_lower(recommendation.meter_id) % sweep.buckets = profile_source.bucket
        and (
            profile.first_read_on is null
            or profile_source.month >= strftime(profile.first_read_on, '%Y-%m')
        )
        and (
            profile.last_read_on is null
            or profile_source.month <= strftime(profile.last_read_on, '%Y-%m')
        )
left join landed_file on profile_source.file_hash = landed_file.file_hash;
