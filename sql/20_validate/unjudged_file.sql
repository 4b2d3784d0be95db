-- grain: one landed file not yet validated; key: file_hash
-- reads: ledger.landed_file, ledger.judged_file
-- why: a sweep validates newly landed files and those left over from earlier sweeps
-- units: none
select landed_file.file_hash
from ledger.landed_file
anti join ledger.judged_file on landed_file.file_hash = judged_file.file_hash
order by landed_file.file_hash
