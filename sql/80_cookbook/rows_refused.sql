-- question: Which rows of which files were rejected, by which rule?
-- grain: one file and rule; key: source_file, rule
-- reads: rejected_read
-- why: what to ask the head-end's operator
-- units: none
select
    source_file,
    rule,
    count(*) as rows,
    min(source_line) as first_line,
    any_value(value order by source_line) as its_value
from rejected_read
group by source_file, rule
order by rows desc, source_file, rule
limit 20;
