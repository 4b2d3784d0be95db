-- grain: one meter in service without a verdict in the sweep being published
-- key: account_id, meter_id
-- reads: service_frame, not_assessed_block, recommendation_block, finding_block
-- why: a meter that could not be assessed still appears in the list of recommendations, even if
--      the sweep left only a reason. A stopped meter goes to engineering review, assessed or not
-- units: *_in [in]
create or replace temp view unassessed as
with service as (
    select *
    from service_frame
),

refused as (
    select *
    from not_assessed_block
),

stopped as (
    select distinct
        account_id,
        meter_id
    from finding_block
    where code = 'stopped_meter'
)

select
    service.account_id,
    service.meter_id,
    refused.customer_name,
    refused.area,
    refused.service_address,
    coalesce(refused.customer_class, 'unknown') as customer_class,
    refused.service_kind,
    refused.installed_type,
    refused.installed_size_in,
    'not_assessed' as verdict,
    case
        when refused.service_kind in ('fire', 'combined') or refused.installed_type = 'fire_service'
            then 'refer'
        when stopped.meter_id is not null
            then 'refer'
        else 'keep'
    end as action,
    refused.message as reason
from service
inner join refused
    on
        service.account_id = refused.account_id
        and (refused.meter_id is null or service.meter_id = refused.meter_id)
left join stopped
    on service.account_id = stopped.account_id and service.meter_id = stopped.meter_id
where
    not exists (
        select 1
        from recommendation_block
        where
            recommendation_block.account_id = service.account_id
            and recommendation_block.meter_id = service.meter_id
    );
