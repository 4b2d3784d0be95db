-- grain: one meter and code of the sweep being published; key: account_id, meter_id, code
-- reads: finding_block
-- why: two stages may report the same code for a meter: the higher severity and every message
--      are kept
-- units: none (evidence has its own)
create or replace temp view finding_row as
with finding as (
    select *
    from finding_block
)

select
    account_id,
    meter_id,
    code,
    case max(case severity when 'serious' then 3 when 'warning' then 2 else 1 end)
        when 3 then 'serious'
        when 2 then 'warning'
        else 'info'
    end as severity,
    string_agg(distinct message, ' / ' order by message) as message,
    min_by(evidence, message) as evidence
from finding
group by account_id, meter_id, code;
