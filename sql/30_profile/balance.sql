-- grain: one landed file within the partition; key: kind, file_hash
-- reads: ranked_read, ranked_reading
-- why: rows landed = accepted + rejected + superseded must hold by count and by volume
-- units: *_gal [gal]; for register reads the sum of readings, a check sum rather than a volume
create or replace temp table balance as
with rows_of_month as (
    select
        'interval' as kind,
        file_hash,
        is_current,
        registered_gal as gal
    from ranked_read
    where file_hash is not null
    union all
    select
        'register' as kind,
        file_hash,
        is_current,
        reading_gal as gal
    from ranked_reading
    where is_of_month
)

select
    kind,
    file_hash,
    count(*) as row_count,
    count(*) filter (where is_current) as current_count,
    count(*) filter (where not is_current) as superseded_count,
    coalesce(sum(gal), 0) as landed_gal,
    coalesce(sum(gal) filter (where is_current), 0) as current_gal,
    coalesce(sum(gal) filter (where not is_current), 0) as superseded_gal
from rows_of_month
group by kind, file_hash
order by kind, file_hash;
