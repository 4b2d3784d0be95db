-- grain: one expectation of severity failure that the latest validation did not meet
-- reads: ledger.validation_result
-- why: with failed_suite: warn a sweep still succeeds; somebody must check
-- units: observed in those of the metric, in its name
select suite || ', ' || batch || ': ' || metric || ' is ' || coalesce(observed, 'not known')
    || ', expected ' || expected as told
from ledger.validation_result
where
    validated_at = (select max(latest.validated_at) from ledger.validation_result as latest)
    and severity = 'failure'
    and not is_met
order by told
