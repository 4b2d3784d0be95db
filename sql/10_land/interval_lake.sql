-- interval_lake: the accepted interval reads of the current file, in the lake's format.
-- grain: one read; key: source_line (a meter and start may have several reads).
-- units: start_at UTC; interval_min [min]; registered_gal [gal]; peak_register_gpm [gpm].
-- reads: placed_read, the macro month_of and the variables bucket_count, landed_seq.
-- why: part combines month and bucket in one integer and is not a column of the file:
--   partitioning by two columns, one of them text, took a third longer and a third more memory.
--   Rows are not sorted: the profile stage sorts each meter before summing, and sorting the
--   whole file here cost as much as reading it.
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
