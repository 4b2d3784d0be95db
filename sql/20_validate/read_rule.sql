-- ledger.read_rule: the rules that reads and lines are checked by, in plain words.
-- grain: one row per rule; key: rule. units: none.
-- reads: nothing.
-- why: the rejected rows, `rightsize rows` and the pages name a rule; this explains it.
--   A flagged row stays in the lake and is used as its meaning says.
create or replace table ledger.read_rule as
select
    rule,
    severity,
    meaning
from (
    values
        ('line_unreadable', 'reject',
            'wrong number of columns, or an unclosed quote'),
        ('line_encoding', 'reject', 'the line is not valid text in the export''s encoding'),
        ('line_nul_bytes', 'reject', 'the line has NUL bytes'),
        ('line_too_long', 'reject', 'the line is longer than 1 MiB'),
        ('line_cut', 'reject', 'the compressed file is truncated or damaged within this line'),
        ('repeated_header', 'reject', 'repeated header line inside the file'),
        ('meter_missing', 'reject', 'no meter ID'),
        ('time_missing', 'reject', 'no time'),
        ('time_unreadable', 'reject',
            'the time is invalid or not in the configured format'),
        ('time_implausible', 'reject',
            'the time is before the earliest or after the latest plausible time'),
        ('time_nonexistent', 'reject',
            'this local time does not exist: it is skipped in spring (DST)'),
        ('time_repeated', 'reject', 'the flow log has a sample of this time already'),
        ('interval_unreadable', 'reject',
            'the interval length is not a number of minutes up to one day'),
        ('unit_unknown', 'reject', 'unknown volume unit'),
        ('volume_unreadable', 'reject', 'the volume is not a number'),
        ('volume_not_finite', 'reject', 'the volume is infinite or NaN'),
        ('volume_negative', 'reject',
            'negative interval volume: reverse flow or an error'),
        ('volume_implausible', 'reject',
            'more volume than the largest meter can pass in the interval'),
        ('peak_implausible', 'reject',
            'the peak flow is negative, or more than the largest meter can pass'),
        ('reading_unreadable', 'reject', 'the reading is not a number'),
        ('reading_not_finite', 'reject', 'the reading is infinite or NaN'),
        ('reading_negative', 'reject', 'negative register reading'),
        ('reading_beyond_dials', 'reject', 'the reading has more digits than the register'),
        ('service_not_water', 'reject', 'the usage point is not a water service'),
        ('flow_reverse', 'reject', 'the channel counts reverse flow'),
        ('not_a_volume', 'reject', 'the channel is not a volume (for example, flow or pressure)'),
        ('reading_beside_volumes', 'reject',
            'a dial reading in a file that has the same use as interval volumes'),
        ('read_estimated', 'flag', 'estimated: used for volume, not for peaks'),
        ('read_edited', 'flag', 'edited manually at the source; treated as measured'),
        ('read_questionable', 'flag',
            'questionable, or unknown quality code: used for volume, not for peaks'),
        ('read_missing', 'flag', 'no amount in the row; never treated as zero'),
        ('time_future', 'flag', 'the time is later than the sweep, within the allowed limit'),
        ('read_repeated', 'flag',
            'the file has the same meter and time again: a later line, or a better read, is used'),
        ('read_superseded', 'flag',
            'replaced by a read from another file: a later one, or a better one'),
        ('read_overlapping', 'flag',
            'overlaps an earlier interval; its volume is already counted'),
        ('reading_fell', 'flag',
            'the reading is lower than the previous one: rollover, reset or reverse flow'),
        ('meter_unknown', 'flag', 'the meter is not in the meter list')
) as rules (rule, severity, meaning)
order by rule
