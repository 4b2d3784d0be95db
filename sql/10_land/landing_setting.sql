-- ledger.landing_setting: what is fixed once for a workspace, such as its bucket count.
-- grain: one setting; key: name. units: as the name says.
-- reads: nothing (written by the land stage).
-- why: lake files made under one bucket count are lost under another.
create table if not exists ledger.landing_setting (
    name varchar primary key,
    setting varchar not null
)
