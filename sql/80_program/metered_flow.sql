-- grain: one meter in service and flow band in the latest sweep; key: meter_id, flow_gpm
-- reads: told_band (results.flow_band in US units), $meters
-- why: a test is weighted by the flows of the account that the meter serves
-- units: flow_gpm [gpm], the middle of the band on a log scale; volume_share of actual volume
with latest as (
    select max(sweep_id) as sweep_id
    from told_band
)

select
    told_band.meter_id,
    sqrt(told_band.band_from_gpm * told_band.band_to_gpm) as flow_gpm,
    told_band.actual_volume_share as volume_share
from told_band
inner join latest on told_band.sweep_id = latest.sweep_id
where
    told_band.meter_id in (select unnest($meters))
    and told_band.band_from_gpm > 0
    and told_band.actual_volume_share > 0
order by told_band.meter_id, told_band.band_from_gpm;
