-- grain: one customer class in the latest sweep; key: customer_class
-- reads: results.class_summary
-- why: the summary by class on the fleet pages
-- units: as the column names say
select
    customer_class,
    meters,
    meters_fitting as fits,
    meters_oversized as oversized,
    meters_wrong_type as wrong_type,
    meters_undersized as undersized,
    meters_not_assessed as not_assessed,
    meters_to_change as change,
    meters_to_log as log_first,
    meters_to_refer as refer,
    net_benefit_usd_per_year,
    net_benefit_low_usd_per_year,
    net_benefit_high_usd_per_year
from results.class_summary
order by net_benefit_usd_per_year desc, customer_class;
