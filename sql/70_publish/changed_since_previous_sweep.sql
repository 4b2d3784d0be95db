-- grain: one changed meter in service in the latest sweep or the previous one
-- key: account_id, meter_id
-- reads: results.recommendation, profile, sweep, sweep_document
-- why: shows what changed and why. A replaced meter is compared with the previous meter of its
--      account. Fleet-wide causes (settings, catalog, code) are listed together with those of
--      the account, because they cannot be separated. The same count of reads over the same
--      days with another volume is another multiplier, if the meter list changed. The model is
--      the code.
-- units: as the column names say
create or replace view results.changed_since_previous_sweep as
with recommendation as (
    select *
    from results.recommendation
),

profile as (
    select *
    from results.profile
),

ordered_sweep as (
    select
        sweep_id,
        config_hash,
        catalogue_hash,
        meters_hash,
        code_version,
        row_number() over (order by sweep_id desc) as age
    from results.sweep
),

cause as (
    select
        this_sweep.sweep_id,
        last_sweep.sweep_id as previous_sweep_id,
        this_sweep.config_hash <> last_sweep.config_hash as has_config_change,
        this_sweep.catalogue_hash <> last_sweep.catalogue_hash as has_catalogue_change,
        this_sweep.meters_hash <> last_sweep.meters_hash as has_list_change,
        this_sweep.code_version <> last_sweep.code_version as has_code_change
    from ordered_sweep as this_sweep
    inner join ordered_sweep as last_sweep on this_sweep.age = 1 and last_sweep.age = 2
),

changed_document as (
    select string_agg(
        case this_document.document
            when 'config' then 'configuration'
            when 'priors' then 'class priors'
            else this_document.document
        end,
        ', '
        order by this_document.document
    ) filter (where this_document.document <> 'catalogue') as documents
    from cause
    inner join results.sweep_document as this_document
        on cause.sweep_id = this_document.sweep_id
    inner join results.sweep_document as last_document
        on
            cause.previous_sweep_id = last_document.sweep_id
            and this_document.document = last_document.document
            and this_document.content_hash <> last_document.content_hash
),

seen as (
    select
        recommendation.sweep_id,
        recommendation.account_id,
        recommendation.meter_id,
        recommendation.customer_class,
        recommendation.verdict,
        recommendation.action,
        recommendation.settled_verdict = recommendation.verdict
        and recommendation.settled_action = recommendation.action as is_settled,
        recommendation.installed_type,
        recommendation.installed_size_in,
        recommendation.recommended_type,
        recommendation.recommended_size_in,
        recommendation.recommended_grade,
        recommendation.net_benefit_usd_per_year,
        profile.reads_used,
        profile.days_covered,
        profile.registered_gal_per_year,
        count(*) over (
            partition by recommendation.account_id, recommendation.meter_id
        ) as sweeps_seen
    from recommendation
    inner join ordered_sweep
        on recommendation.sweep_id = ordered_sweep.sweep_id and ordered_sweep.age <= 2
    left join profile
        on
            recommendation.sweep_id = profile.sweep_id
            and recommendation.account_id = profile.account_id
            and recommendation.meter_id = profile.meter_id
),

-- a meter in both sweeps pairs with itself, a new one with the removed meter of its account
paired as (
    select
        seen.*,
        case
            when sweeps_seen = 2 then 'meter ' || meter_id
            else 'place ' || row_number() over (
                partition by sweep_id, account_id, sweeps_seen
                order by meter_id
            )
        end as pair
    from seen
),

this_meter as (
    select paired.*
    from paired
    inner join cause on paired.sweep_id = cause.sweep_id
),

last_meter as (
    select paired.*
    from paired
    inner join cause on paired.sweep_id = cause.previous_sweep_id
),

compared as (
    select
        coalesce(this_meter.account_id, last_meter.account_id) as account_id,
        coalesce(this_meter.meter_id, last_meter.meter_id) as meter_id,
        coalesce(this_meter.customer_class, last_meter.customer_class) as customer_class,
        case
            when last_meter.account_id is null then 'new'
            when this_meter.account_id is null then 'gone'
            when this_meter.verdict <> last_meter.verdict then 'verdict'
            when this_meter.action <> last_meter.action then 'action'
            when
                this_meter.recommended_type is distinct from last_meter.recommended_type
                or this_meter.recommended_size_in
                is distinct from last_meter.recommended_size_in
                or this_meter.recommended_grade is distinct from last_meter.recommended_grade
                then 'recommended meter'
        end as change,
        this_meter.verdict,
        last_meter.verdict as previous_verdict,
        this_meter.action,
        last_meter.action as previous_action,
        this_meter.is_settled,
        this_meter.recommended_type,
        this_meter.recommended_size_in,
        last_meter.recommended_type as previous_recommended_type,
        last_meter.recommended_size_in as previous_recommended_size_in,
        this_meter.net_benefit_usd_per_year,
        last_meter.net_benefit_usd_per_year as previous_net_benefit_usd_per_year,
        this_meter.reads_used is distinct from last_meter.reads_used
        or this_meter.days_covered is distinct from last_meter.days_covered
        or this_meter.registered_gal_per_year
        is distinct from last_meter.registered_gal_per_year as has_new_reads,
        this_meter.reads_used = last_meter.reads_used
        and this_meter.days_covered = last_meter.days_covered
        and this_meter.meter_id = last_meter.meter_id
        and this_meter.registered_gal_per_year
        <> last_meter.registered_gal_per_year as has_new_scale,
        this_meter.meter_id is distinct from last_meter.meter_id
        or this_meter.installed_type is distinct from last_meter.installed_type
        or this_meter.installed_size_in
        is distinct from last_meter.installed_size_in as has_meter_change
    from this_meter
    full outer join last_meter
        on
            this_meter.account_id = last_meter.account_id
            and this_meter.pair = last_meter.pair
)

select
    cause.sweep_id,
    cause.previous_sweep_id,
    compared.account_id,
    compared.meter_id,
    compared.customer_class,
    compared.change,
    compared.verdict,
    compared.previous_verdict,
    compared.action,
    compared.previous_action,
    compared.is_settled,
    compared.recommended_type,
    compared.recommended_size_in,
    compared.previous_recommended_type,
    compared.previous_recommended_size_in,
    compared.net_benefit_usd_per_year,
    compared.previous_net_benefit_usd_per_year,
    compared.has_new_reads
    and not (coalesce(compared.has_new_scale, false) and cause.has_list_change) as has_new_reads,
    compared.has_meter_change,
    cause.has_config_change,
    cause.has_catalogue_change,
    cause.has_code_change,
    coalesce(
        nullif(
            concat_ws(
                ', ',
                case when compared.has_meter_change then 'meter change' end,
                case
                    when compared.has_new_scale and cause.has_list_change then 'multiplier'
                    when compared.has_new_reads then 'new reads'
                end,
                coalesce(
                    changed_document.documents,
                    case when cause.has_config_change then 'configuration' end
                ),
                case when cause.has_catalogue_change then 'catalogue' end,
                case when cause.has_code_change then 'model' end
            ),
            ''
        ),
        'class priors or fleet statistics'
    ) as why
from compared
cross join cause
cross join changed_document
where compared.change is not null
order by abs(coalesce(compared.net_benefit_usd_per_year, 0)
    - coalesce(compared.previous_net_benefit_usd_per_year, 0)) desc,
    compared.account_id, compared.meter_id;
