-- wide_read: the lines of a wide file as one read per interval, in the columns of raw_read.
-- grain: one interval of a line; key: source_line, utc_at.
-- units: utc_at is the start of the interval (UTC); texts as in the file.
-- reads: wide_line (a line with its cells), wide_day (type of each day, from the caller),
--   variable cell_min [min].
-- why: the k-th cell is the k-th interval after local midnight, so days of 23 and 25 hours are
--   unambiguous. If cells follow clock time instead (blank cells for the skipped hour on a
--   short day, none for the second occurrence on a long day), later cells are shifted by that
--   hour. A cell left over on a short day has no time and is rejected.
create or replace temp table wide_read as
with line as (from wide_line),
day as (from wide_day),
dated as (
    select
        line.source_line, line.meter_id, line.date, line.quality, line.unit, line.cells,
        day.begin_at, day.interval_count, day.change, day.change_count,
        coalesce(day.is_long, false) as is_long,
        coalesce(
            day.is_short
            and len(line.cells) > day.interval_count
            and line.cells[day.interval_count + 1] is not null
            and len(list_filter(
                line.cells[day.change:day.change + day.change_count - 1],
                lambda x: x is not null
            )) = 0,
            false
        ) as is_short_by_clock
    from line
    left join day on day.date = line.date
),
numbered as (
    select
        source_line, meter_id, date, quality, unit, begin_at, interval_count, change,
        change_count, is_long, is_short_by_clock,
        unnest(cells) as amount_text,
        unnest(range(1, len(cells) + 1)) as cell
    from dated
),
placed as (
    select
        source_line, meter_id, date, quality, unit, begin_at, interval_count, amount_text,
        is_short_by_clock and cell between change and change + change_count - 1
            as is_skipped,
        is_long and cell between change and change + change_count - 1 as is_doubtful,
        case
            when is_short_by_clock and cell >= change + change_count then cell - change_count
            when is_long and cell >= change + change_count then cell + change_count
            else cell
        end as place
    from numbered
)
select
    source_line,
    meter_id,
    date as at_text,
    amount_text,
    case when is_doubtful then 'questionable' else quality end as quality_text,
    null::varchar as interval_text,
    null::varchar as peak_text,
    unit as unit_text,
    begin_at + to_seconds((place - 1) * 60 * getvariable('cell_min')) as utc_at,
    case when place > interval_count then 'time_nonexistent' end as refused_as
from placed
where not is_skipped
    and (interval_count is null or place <= interval_count or amount_text is not null)
