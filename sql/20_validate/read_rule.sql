-- ledger.read_rule: the rules a read or line is held against, in plain words.
-- grain: one row a rule; key: rule. units: none.
-- reads: nothing.
-- why: the rejected rows, `rightsize rows` and the pages name a rule; this says what it means.
--   A row that is flagged stays in the lake and counts as its meaning says.
create or replace table ledger.read_rule as
select
    rule,
    severity,
    meaning
from (
    values
        ('line_unreadable', 'reject',
            'the line lacks columns of the header, has more, or a quote does not close'),
        ('line_encoding', 'reject', 'the line is not text in the encoding of the export'),
        ('line_nul_bytes', 'reject', 'the line holds NUL bytes'),
        ('line_too_long', 'reject', 'the line is longer than 1 MiB'),
        ('line_cut', 'reject', 'the compressed file breaks off within this line'),
        ('repeated_header', 'reject', 'the header stands again inside the file'),
        ('meter_missing', 'reject', 'no meter is named'),
        ('time_missing', 'reject', 'no time is given'),
        ('time_unreadable', 'reject',
            'the time is not a time, or not in the configured format'),
        ('time_implausible', 'reject',
            'the time lies before the earliest or after the latest plausible one'),
        ('time_nonexistent', 'reject',
            'the wall clock never showed this time: it is skipped in spring'),
        ('interval_unreadable', 'reject',
            'the length of the interval is not a number of minutes up to a day'),
        ('unit_unknown', 'reject', 'the unit is none that is known as a volume'),
        ('volume_unreadable', 'reject', 'the volume is not a number'),
        ('volume_not_finite', 'reject', 'the volume is infinite or not a number'),
        ('volume_negative', 'reject',
            'the volume of an interval is negative: water ran backward, or an error'),
        ('volume_implausible', 'reject',
            'more water than the largest meter can pass in the interval'),
        ('peak_implausible', 'reject',
            'the peak flow is negative, or more than the largest meter can pass'),
        ('reading_unreadable', 'reject', 'the reading is not a number'),
        ('reading_not_finite', 'reject', 'the reading is infinite or not a number'),
        ('reading_negative', 'reject', 'a register has no negative reading'),
        ('reading_beyond_dials', 'reject',
            'the reading has more digits than the register has dials'),
        ('service_not_water', 'reject', 'the usage point is not a water service'),
        ('flow_reverse', 'reject', 'the channel counts water that runs backward'),
        ('not_a_volume', 'reject', 'the channel is no volume, such as a flow or a pressure'),
        ('reading_beside_volumes', 'reject',
            'a dial reading of a file that gives the same water as interval volumes'),
        ('read_estimated', 'flag', 'an estimate: counts as volume, shapes no peak'),
        ('read_edited', 'flag', 'edited by hand at the source; taken as measured'),
        ('read_questionable', 'flag',
            'questionable, or of a quality code that is not known: volume, no peak'),
        ('read_missing', 'flag', 'the row holds no amount; never taken for zero'),
        ('time_future', 'flag', 'the time lies after the landing, by less than is refused'),
        ('read_repeated', 'flag',
            'the same file tells this meter and time again: a read further down, or better, counts'),
        ('read_superseded', 'flag',
            'another file tells this meter and time: a later read, or a better one, counts'),
        ('read_overlapping', 'flag',
            'the interval begins before an earlier one has ended: its water is told already'),
        ('reading_fell', 'flag',
            'the register stands lower than before: rollover, reset or backward flow'),
        ('meter_unknown', 'flag', 'the meter list does not hold this meter')
) as rules (rule, severity, meaning)
order by rule
