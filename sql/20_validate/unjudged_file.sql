-- grain: one landed file that no validation has let pass; key: file_hash
-- reads: ledger.landed_file, ledger.judged_file
-- why: what a sweep has to judge is what landed now and what was left unjudged before
-- units: none
select landed_file.file_hash
from ledger.landed_file
anti join ledger.judged_file on landed_file.file_hash = judged_file.file_hash
order by landed_file.file_hash
