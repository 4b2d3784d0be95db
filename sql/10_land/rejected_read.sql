-- rejected_read: the rejected rows of the current file, by file and line.
-- grain: one rejected row; key: source_line (layout wide: several per line).
-- units: amount_gal [gal], null if the row has no number.
-- reads: placed_read, unreadable_line, variables source_file and has_refused.
-- why: no row is dropped silently. If all rows were accepted, has_refused is false and the
--   reads are not scanned again.
create or replace temp table rejected_read as
with placed as (from placed_read),
unreadable as (from unreadable_line),
refused as (
    select source_line, meter_id, rule, value, amount_gal, false as is_line
    from placed
    where getvariable('has_refused') and rule is not null
    union all by name
    select source_line, null as meter_id, rule, value, null as amount_gal, true as is_line
    from unreadable
)
select
    getvariable('source_file') as source_file,
    source_line,
    meter_id,
    rule,
    left(value, 500) as value,
    amount_gal,
    is_line
from refused
order by source_line, rule, value
