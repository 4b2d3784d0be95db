-- grain: one landed file in the partition; key: kind, file_hash
-- reads: keyed_read, superseded_read, ranked_reading
-- why: rows landed = accepted + rejected + superseded must hold by count and by volume
-- units: *_gal [gal]; the volume of a register reading is that of the period it starts
create or replace temp table balance as
with reads as (
    select
        kind,
        file_hash,
        superseded_read.read_key is null as is_current,
        registered_gal as gal
    from keyed_read
    left join superseded_read on keyed_read.read_key = superseded_read.read_key
    where kind = 'interval'
    union all
    select
        'register' as kind,
        file_hash,
        is_current,
        null as gal
    from ranked_reading
    where is_of_month
),

counted as (
    select
        kind,
        file_hash,
        count(*) as rows,
        count(*) filter (where is_current) as current_rows,
        count(*) filter (where not is_current) as superseded_rows,
        coalesce(sum(gal) filter (where is_current), 0) as current_gal,
        coalesce(sum(gal) filter (where not is_current), 0) as superseded_gal
    from reads
    group by kind, file_hash
),

register_volume as (
    select
        file_hash,
        sum(registered_gal) as gal
    from keyed_read
    left join superseded_read on keyed_read.read_key = superseded_read.read_key
    where kind = 'register' and superseded_read.read_key is null
    group by file_hash
)

select
    counted.kind,
    counted.file_hash,
    counted.rows,
    counted.current_rows,
    counted.superseded_rows,
    counted.current_gal
        + case when counted.kind = 'register' then coalesce(register_volume.gal, 0) else 0 end
        as current_gal,
    counted.superseded_gal
from counted
left join register_volume on counted.file_hash = register_volume.file_hash
order by counted.kind, counted.file_hash;
