-- question: Where is the money, by customer class?
-- grain: one customer class; key: customer_class
-- reads: class_summary
-- why: shows which classes to start with, and how much of each was assessed
-- units: as the column names say
select
    customer_class,
    accounts,
    meters_to_change,
    meters_to_log,
    meters_not_assessed,
    revenue_gain_usd_per_year,
    net_benefit_usd_per_year,
    change_cost_usd
from class_summary
order by net_benefit_usd_per_year desc, customer_class;
