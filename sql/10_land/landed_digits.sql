-- landed_digits: the register digits used to check each meter's readings.
-- grain: a column of ledger.landed_multiplier. units: register_digits is a count, null if
--   the meter list gives none.
-- reads: nothing.
-- why: older workspaces have the table without it.
alter table ledger.landed_multiplier add column if not exists register_digits integer
