-- grain: one meter whose reads show a register resolution; key: meter_key
-- reads: current_read
-- why: the largest common step of a month's volumes, for use if the meter list gives none. The
--      step is among the differences of consecutive sorted volumes, or the differences of those;
--      the largest of which 95 % of the reads are whole multiples (within a twentieth) is used,
--      so that a few odd reads do not matter. Fewer than 5 reads above zero show none; rounding
--      of a volume is not a step
-- units: step_gal [gal]
create or replace temp table register_step as
with volume as (
    select
        meter_key,
        round(registered_gal, 6) as gal,
        count(*) as read_count
    from current_read
    where is_shape and registered_gal >= 1e-6
    group by all
),

-- values of more than one read in a hundred are searched again on their own: odd reads between
-- them would hide the step
seen as (
    select
        meter_key,
        0 as part,
        gal
    from volume
    union all
    select
        meter_key,
        1 as part,
        gal
    from volume
    qualify read_count > 0.01 * sum(read_count) over (partition by meter_key)
),

rise as (
    select
        meter_key,
        part,
        round(gal - lag(gal, 1, 0) over (partition by meter_key, part order by gal), 6) as gal
    from seen
),

rise_once as (
    select distinct
        meter_key,
        part,
        gal
    from rise
),

second_rise as (
    select
        meter_key,
        part,
        round(gal - lag(gal, 1, 0) over (partition by meter_key, part order by gal), 6) as gal
    from rise_once
),

rise_twice as (
    select distinct
        meter_key,
        part,
        gal
    from second_rise
),

third_rise as (
    select
        meter_key,
        part,
        round(gal - lag(gal, 1, 0) over (partition by meter_key, part order by gal), 6) as gal
    from rise_twice
),

every_rise as (
    select
        *,
        1 as level
    from rise
    union all
    select
        *,
        2 as level
    from second_rise
    union all
    select
        *,
        3 as level
    from third_rise
),

listed as (
    select
        meter_key,
        [
            min(gal),
            mode(gal order by gal),
            quantile_disc(gal, 0.05),
            quantile_disc(gal, 0.25)
        ] as steps
    from every_rise
    group by meter_key, part, level
),

candidate as (
    select distinct
        meter_key,
        unnest(steps) as step_gal
    from listed
),

fitted as (
    select
        candidate.meter_key,
        candidate.step_gal,
        sum(volume.read_count) as read_count,
        sum(volume.read_count) filter (
            where abs(
                volume.gal / candidate.step_gal - round(volume.gal / candidate.step_gal)
            ) < 0.05
            and volume.gal > 0.5 * candidate.step_gal
        ) as fit_count
    from candidate
    join volume on candidate.meter_key = volume.meter_key
    where candidate.step_gal >= 1e-4
    group by candidate.meter_key, candidate.step_gal
)

select
    meter_key,
    max(step_gal) as step_gal
from fitted
where read_count >= 5 and fit_count >= 0.95 * read_count
group by meter_key;
