-- ledger.judged_file: landed files that a validation has let pass.
-- grain: one landed file; key: file_hash. units: none.
-- reads: nothing (written by the validate stage).
-- why: a file whose suite stopped a sweep, or whose sweep died before it was judged, is judged
--      by the next sweep again; without this it would pass unseen the night after.
create table if not exists ledger.judged_file (
    file_hash varchar primary key
)
