-- seen_change: when the file system last changed a path's entry, beside its size and time.
-- grain: a column of ledger.seen_path. units: changed_ns [ns since 1970], null where not kept.
-- reads: nothing.
-- why: a copy may keep size and time of modification (`cp -p`); this time no program can set.
alter table ledger.seen_path add column if not exists changed_ns hugeint
