-- accepted_read: empty, for a file with every row rejected.
-- grain: none. units: as interval_accepted. reads: nothing.
-- why: a file without a valid row is counted like any other.
create or replace temp view accepted_read as
select
    null::varchar as meter_id,
    null::timestamp as begin_at,
    null::float as interval_min,
    null::double as amount_gal,
    null::varchar as quality,
    null::varchar as filename
where false
