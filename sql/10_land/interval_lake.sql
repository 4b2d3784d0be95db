-- interval_lake: the interval reads of the file at hand that no rule refuses, as the lake
--   holds them.
-- grain: one read; key: source_line (several reads of one meter and start may stand).
-- units: start_at UTC; interval_min [min]; registered_gal [gal]; peak_register_gpm [gpm].
-- reads: placed_read, the macro month_of and the variables bucket_count, landed_seq.
-- why: part names the month and bucket, and is no column of the file; one whole number, as
--   parting by two, one of them text, took a third longer and a third more room. In no order:
--   the profile stage sorts what it adds up, a meter at a time, and a sort of the whole file
--   here cost as much as reading it.
select
    (month_of(begin_at) * getvariable('bucket_count') + bucket)::integer as part,
    meter_name as meter_id,
    make_timestamptz(begin_us) as start_at,
    interval_min,
    amount_gal as registered_gal,
    coalesce(quality, 'questionable'::quality_word) as quality,
    peak_register_gpm,
    getvariable('landed_seq')::integer as landed_seq,
    source_line
from placed_read
where rule is null
