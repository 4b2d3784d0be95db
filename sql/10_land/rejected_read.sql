-- rejected_read: the rows of the file at hand that were refused, findable by file and line.
-- grain: one row a refused row. key: source_line.
-- units: amount_gal [gal], null where the row holds no number.
-- reads: placed_read, unreadable_line, variable source_file.
-- why: nothing is dropped without a word.
create or replace temp table rejected_read as
with placed as (from placed_read),
unreadable as (from unreadable_line),
refused as (
    select source_line, meter_id, rule, value, amount_gal
    from placed
    where rule is not null
    union all by name
    select source_line, null as meter_id, rule, value, null as amount_gal
    from unreadable
)
select
    getvariable('source_file') as source_file,
    source_line,
    meter_id,
    rule,
    left(value, 500) as value,
    amount_gal
from refused
order by source_line
