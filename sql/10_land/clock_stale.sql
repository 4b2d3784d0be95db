-- clock_stale: landed files whose future-time check would have another result today.
-- grain: one landed file; key: file_hash. units: none.
-- reads: ledger.clock_bound, variable latest_at.
-- why: a read is rejected as in the future by the host's clock at landing; what a wrong clock
--   rejected, or let pass, must be checked again.
select file_hash
from ledger.clock_bound
where refused_from_at <= getvariable('latest_at')
    or accepted_until_at > getvariable('latest_at')
order by file_hash
