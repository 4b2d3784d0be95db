-- ledger.judged_file: landed files that have passed validation.
-- grain: one landed file; key: file_hash. units: none.
-- reads: nothing (written by the validate stage).
-- why: a file whose suite stopped a sweep, or whose sweep died before validation, is validated
--      again by the next sweep; otherwise it would pass unnoticed.
create table if not exists ledger.judged_file (
    file_hash varchar primary key
)
