-- grain: one total of change-outs; key: scope, name
-- reads: results.change_out_result
-- why: what all change-outs brought, and how many cannot be told yet. Ranges of a total take the
--      cases as independent: half-widths add up as squares.
-- units: as the column names say
create or replace view results.change_out_total as
with result as (
    select *
    from results.change_out_result
),

named as (
    select *, 'all' as scope, 'all change-outs' as name
    from result
    union all
    select *, 'kind' as scope, kind as name
    from result
    union all
    select *, 'type' as scope, coalesce(installed_type, 'not known') as name
    from result
    union all
    select *, 'size' as scope, coalesce(format('{:g}', installed_size_in), 'not known') as name
    from result
    union all
    select *, 'class' as scope, coalesce(customer_class, 'not known') as name
    from result
),

added as (
    select
        scope,
        name,
        count(*) as change_outs,
        count(*) filter (where standing = 'judged') as judged,
        count(*) filter (where standing = 'too_young') as too_young,
        count(*) filter (where standing = 'set_aside') as set_aside,
        count(*) filter (where standing = 'refused') as refused,
        count(*) filter (where came = 'gain') as gains,
        count(*) filter (where came = 'loss') as losses,
        count(*) filter (where against_promise is not null) as promises,
        count(*) filter (where against_promise = 'short') as promises_short,
        sum(promised_gain_gal_per_year) filter (where against_promise is not null)
            as promised_gain_gal_per_year,
        sum(realised_gain_gal_per_year) filter (where against_promise is not null)
            as realised_of_promised_gal_per_year,
        sum(realised_gain_gal_per_year) as realised_gain_gal_per_year,
        sqrt(sum((realised_gain_gal_per_year - realised_gain_low_gal_per_year) ** 2))
            as below_year,
        sqrt(sum((realised_gain_high_gal_per_year - realised_gain_gal_per_year) ** 2))
            as above_year,
        sum(realised_to_date_gal) as realised_to_date_gal,
        sum(realised_to_date_usd) as realised_to_date_usd,
        sqrt(sum((realised_to_date_usd - realised_to_date_low_usd) ** 2)) as below_usd,
        sqrt(sum((realised_to_date_high_usd - realised_to_date_usd) ** 2)) as above_usd
    from named
    group by scope, name
)

select
    scope,
    name,
    change_outs,
    judged,
    too_young,
    set_aside,
    refused,
    gains,
    losses,
    promises,
    promises_short,
    promised_gain_gal_per_year,
    realised_of_promised_gal_per_year,
    realised_gain_gal_per_year,
    realised_gain_gal_per_year - below_year as realised_gain_low_gal_per_year,
    realised_gain_gal_per_year + above_year as realised_gain_high_gal_per_year,
    realised_to_date_gal,
    realised_to_date_usd,
    realised_to_date_usd - below_usd as realised_to_date_low_usd,
    realised_to_date_usd + above_usd as realised_to_date_high_usd
from added
order by scope, realised_gain_gal_per_year desc nulls last, name;
