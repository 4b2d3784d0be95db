-- grain: one file that the latest sweep could not land
-- reads: ledger.file_problem
-- why: a file left out night after night must be seen
-- units: none
select message
from ledger.file_problem
order by path
