-- question: Do the months agree with the bills?
-- grain: one account and month; key: account_id, month
-- reads: account_month
-- why: a total that billing does not know is a wrong unit, multiplier or meter list; hold these
--      rows against the billed volumes before anything else
-- units: as the column names say
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
