-- ledger.landing_setting: settings fixed once per workspace, such as the bucket count.
-- grain: one setting; key: name. units: as the name says.
-- reads: nothing (written by the land stage).
-- why: lake files written with one bucket count cannot be found with another.
create table if not exists ledger.landing_setting (
    name varchar primary key,
    setting varchar not null
)
