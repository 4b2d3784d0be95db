-- question: Which meters run above their continuous rating, and which exceed SMOC at peak flow?
-- grain: one meter; key: account_id, meter_id
-- reads: latest_recommendation
-- why: such meters wear out early and restrict the customer's flow
-- units: as the column names say
select
    account_id,
    customer_class,
    installed_type,
    installed_size_in,
    sustained_60min_gpm,
    installed_continuous_gpm,
    peak_10s_gpm,
    peak_10s_high_gpm,
    installed_smoc_gpm,
    odds_of_undersized,
    verdict
from latest_recommendation
where
    sustained_60min_gpm > installed_continuous_gpm
    or peak_10s_gpm > installed_smoc_gpm
order by odds_of_undersized desc nulls last, account_id
limit 20;
