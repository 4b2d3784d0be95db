-- grain: one file that the latest sweep could not land
-- reads: ledger.file_problem
-- why: a file skipped night after night must be noticed
-- units: none
select message
from ledger.file_problem
order by path
