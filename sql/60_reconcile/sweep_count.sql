-- grain: the sweep: one row
-- reads: file_balance, meter_balance
-- why: the counts in the published sweep row. An account is assessed if one of its meters is.
--      Volumes are added in a fixed order, so they are the same for any number of threads.
-- units: *_gal [gal]
create or replace temp table sweep_count as
with account as (
    select
        account_id,
        bool_or(recommended_rows > 0) as is_assessed
    from meter_balance
    group by account_id
),

account_count as (
    select
        count(*) as accounts,
        count(*) filter (where is_assessed) as assessed,
        count(*) filter (where not is_assessed) as not_assessed
    from account
),

row_count as (
    select
        coalesce(sum(landed_rows), 0)::bigint as rows_landed,
        coalesce(sum(current_rows), 0)::bigint as rows_accepted,
        coalesce(sum(rejected_rows), 0)::bigint as rows_rejected,
        coalesce(sum(superseded_rows), 0)::bigint as rows_superseded,
        coalesce(sum(current_gal order by file_hash), 0) as accepted_gal,
        coalesce(sum(superseded_gal order by file_hash), 0) as superseded_gal
    from file_balance
)

select
    account_count.accounts,
    account_count.assessed,
    account_count.not_assessed,
    row_count.rows_landed,
    row_count.rows_accepted,
    row_count.rows_rejected,
    row_count.rows_superseded,
    row_count.accepted_gal,
    row_count.superseded_gal
from account_count
cross join row_count;
