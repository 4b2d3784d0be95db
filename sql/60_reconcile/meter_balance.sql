-- grain: one meter in service or in the results; key: account_id, meter_id
-- reads: service_frame, recommendation_block, not_assessed_block
-- why: every meter in service has exactly one of two: a verdict, or a reason for having none. A
--      reason without meter_id applies to all meters of its account.
-- units: none
create or replace temp table meter_balance as
with recommended as (
    select
        account_id,
        meter_id,
        count(*) filter (where verdict <> 'not_assessed') as rows
    from recommendation_block
    group by account_id, meter_id
),

refused as (
    select
        account_id,
        meter_id,
        count(*) as rows
    from not_assessed_block
    group by account_id, meter_id
),

refused_meter as (
    select
        service_frame.account_id,
        service_frame.meter_id,
        sum(refused.rows) as rows
    from service_frame
    inner join refused
        on
            service_frame.account_id = refused.account_id
            and (refused.meter_id is null or service_frame.meter_id = refused.meter_id)
    group by service_frame.account_id, service_frame.meter_id
),

stray as (
    select
        account_id,
        meter_id
    from refused
    where
        not exists (
            select 1
            from service_frame
            where
                service_frame.account_id = refused.account_id
                and (refused.meter_id is null or service_frame.meter_id = refused.meter_id)
        )
),

known as (
    select
        account_id,
        meter_id
    from service_frame
    union
    select
        account_id,
        meter_id
    from recommended
    union
    select
        account_id,
        meter_id
    from stray
)

select
    known.account_id,
    known.meter_id,
    service_frame.account_id is not null as is_in_service,
    coalesce(recommended.rows, 0)::bigint as recommended_rows,
    coalesce(refused_meter.rows, 0)::bigint as refused_rows
from known
left join service_frame
    on
        known.account_id = service_frame.account_id
        and known.meter_id = service_frame.meter_id
left join recommended
    on known.account_id = recommended.account_id and known.meter_id = recommended.meter_id
left join refused_meter
    on
        known.account_id = refused_meter.account_id
        and known.meter_id = refused_meter.meter_id;
