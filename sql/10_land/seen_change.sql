-- seen_change: time of the last change of a path's directory entry.
-- grain: a column of ledger.seen_path. units: changed_ns [ns since 1970], null if unknown.
-- reads: nothing.
-- why: a copy can keep size and modification time (`cp -p`); no program can set this time.
alter table ledger.seen_path add column if not exists changed_ns hugeint
