-- grain: one customer class with changes in the latest sweep; key: customer_class
-- reads: results.bill_impact, results.sweep
-- why: who pays more for correct meters, and by how much: for the board, before notices go out
-- units: as the column names say; bills are means over the class's changes
create or replace view results.bill_impact_by_class as
with latest_sweep as (
    select max(sweep_id) as sweep_id
    from results.sweep
)

select
    bill_impact.customer_class,
    count(*) as changes,
    avg(bill_impact.winter_bill_before_usd) as winter_bill_before_usd,
    avg(bill_impact.winter_bill_after_usd) as winter_bill_after_usd,
    avg(bill_impact.summer_bill_before_usd) as summer_bill_before_usd,
    avg(bill_impact.summer_bill_after_usd) as summer_bill_after_usd,
    100 * (
        sum(bill_impact.year_bill_after_usd)
        / nullif(sum(bill_impact.year_bill_before_usd), 0) - 1
    ) as bill_change_pct,
    max(bill_impact.bill_change_pct) as largest_bill_change_pct,
    count(*) filter (where bill_impact.bill_change_pct > 20) as bills_up_a_fifth
from results.bill_impact
inner join latest_sweep on bill_impact.sweep_id = latest_sweep.sweep_id
group by bill_impact.customer_class
order by changes desc, bill_impact.customer_class;
