-- ledger.read_rule: the rules for reads and lines, in plain words.
-- grain: one rule; key: rule. units: none.
-- reads: nothing.
-- why: rejected rows, `rightsize rows` and the pages name a rule; this is its meaning. Flagged
--   rows stay in the lake and count as the meaning says.
create or replace table ledger.read_rule as
select
    rule,
    severity,
    meaning
from (
    values
        ('line_unreadable', 'reject', 'too few or too many columns, or an unclosed quote'),
        ('line_encoding', 'reject', 'not valid text in the encoding of the export'),
        ('line_nul_bytes', 'reject', 'the line contains NUL bytes'),
        ('line_too_long', 'reject', 'the line is longer than 1 MiB'),
        ('line_cut', 'reject', 'the compressed file is truncated within this line'),
        ('repeated_header', 'reject', 'the header is repeated inside the file'),
        ('meter_missing', 'reject', 'no meter ID'),
        ('time_missing', 'reject', 'no time stamp'),
        ('time_unreadable', 'reject', 'not a time, or not in the configured format'),
        ('time_implausible', 'reject',
            'before the earliest or after the latest plausible time'),
        ('time_nonexistent', 'reject', 'local time skipped when daylight saving time starts'),
        ('interval_unreadable', 'reject',
            'the interval length is not a number of minutes up to one day'),
        ('unit_unknown', 'reject', 'not a known volume unit'),
        ('volume_unreadable', 'reject', 'the volume is not a number'),
        ('volume_not_finite', 'reject', 'the volume is infinite or NaN'),
        ('volume_negative', 'reject', 'negative interval volume: backflow or an error'),
        ('volume_implausible', 'reject',
            'more than the largest meter can pass in the interval'),
        ('reading_unreadable', 'reject', 'the reading is not a number'),
        ('reading_not_finite', 'reject', 'the reading is infinite or NaN'),
        ('reading_negative', 'reject', 'negative register reading'),
        ('reading_beyond_dials', 'reject', 'the reading has more digits than the register'),
        ('service_not_water', 'reject', 'the usage point is not a water service'),
        ('flow_reverse', 'reject', 'the channel records reverse flow'),
        ('not_a_volume', 'reject', 'the channel is not a volume, e.g. a flow or a pressure'),
        ('reading_beside_volumes', 'reject',
            'register reading in a file that has the same water as interval volumes'),
        ('read_estimated', 'flag', 'estimated: counts as volume, not used for flow rates'),
        ('read_edited', 'flag', 'edited at the source; treated as measured'),
        ('read_questionable', 'flag',
            'questionable or unknown quality code: counts as volume, not used for flow rates'),
        ('read_missing', 'flag', 'no value; never treated as zero'),
        ('time_future', 'flag', 'later than the time of landing, within the tolerance'),
        ('read_repeated', 'flag',
            'the same meter and time appear again later in the file; the later line counts'),
        ('read_superseded', 'flag', 'superseded by a file that landed later'),
        ('read_overlapping', 'flag',
            'the interval starts before the previous one ends; its volume is already counted'),
        ('reading_fell', 'flag',
            'lower than the previous reading: rollover, reset or reverse flow'),
        ('meter_unknown', 'flag', 'the meter is not in the meter list')
) as rules (rule, severity, meaning)
order by rule
