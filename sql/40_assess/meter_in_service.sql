-- grain: one meter in service in this bucket; key: meter_id
-- reads: the frame service_frame, registered by the caller
-- why: only meters in service are assessed; months of removed meters are kept for the realized
--      gain
-- units: none
create or replace temp table meter_in_service as
select
    meter_id,
    is_seasonal
from service_frame;
