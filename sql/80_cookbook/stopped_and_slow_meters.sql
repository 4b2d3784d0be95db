-- question: Which meters have stopped, run slow, or have a register problem?
-- grain: one finding; key: account_id, meter_id, code
-- reads: finding, sweep
-- why: field work for now, whatever the verdict on size
-- units: none
with latest_finding as (
    select *
    from finding
    where sweep_id = (select max(sweep_id) from sweep)
)

select
    account_id,
    meter_id,
    code,
    severity,
    message
from latest_finding
where
    code in (
        'stopped_meter', 'slow_meter', 'reverse_flow', 'suspect_multiplier'
    )
order by
    case severity when 'serious' then 1 when 'warning' then 2 else 3 end,
    account_id,
    code;
