-- landed_digits: the dials with which each meter's readings were judged, beside its multiplier.
-- grain: a column of ledger.landed_multiplier. units: register_digits counts dials, null where
--   the meter list told none.
-- reads: nothing.
-- why: workspaces made before it was kept have the table without it.
alter table ledger.landed_multiplier add column if not exists register_digits integer
