-- question: Do monthly volumes agree with the bills?
-- grain: one account and month; key: account_id, month
-- reads: account_month
-- why: a total that differs from billing means a wrong unit, multiplier or meter list; compare
--      these rows with the billed volumes before anything else
-- units: in the names
select
    account_id,
    month,
    meters,
    registered_gal,
    estimated_gal,
    gap_gal,
    days_covered
from account_month
order by account_id, month;
