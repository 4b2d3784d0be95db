-- clock_stale: landed files of which today's clock says otherwise.
-- grain: one landed file; key: file_hash. units: none.
-- reads: ledger.clock_bound, variable latest_at.
-- why: a read is refused as of the future by the clock of one night; what that clock refused in
--   error, or let pass, must not stand.
select file_hash
from ledger.clock_bound
where refused_from_at <= getvariable('latest_at')
    or accepted_until_at > getvariable('latest_at')
order by file_hash
