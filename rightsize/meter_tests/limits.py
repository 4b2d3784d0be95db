"""Points of a test held against the limits of a meter in service.

A displacement or jet meter is held against the rule that the utility chose; rules are written
for such meters. Other types are held against the limits of their own standard, from the
catalog. A test in a compound's changeover band needs 90 %.

References
----------
F.A.C. 25-30.263(2): compound, turbine and fire-service meters are tested at the minimum flow
and at two or more flows in the normal range, the upper one as high as practicable; (3)
compounds in the changeover range too (read). PSC 185.74, Wisconsin (read) asks the same of
compounds and turbines with three flows in the normal range. AWWA C702: at least 90 % in the
changeover (from memory, medium trust).
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
import polars as pl

from rightsize.errors import CatalogueError
from rightsize.meters.catalogue import Meter
from rightsize.meters.service_tests import ServiceRule
from rightsize.units import GPM_PER_M3H, UnitSystem

RULED_TYPES: Final = ("displacement", "multi_jet", "single_jet")
"""Types that the rules of authorities are written for."""
CHANGEOVER_LEAST: Final = 0.90
"""Least registration [1] in a compound's changeover band (AWWA C702, MEM-M)."""
ROUNDING: Final = 1e-9
_SAME_FLOW: Final = 0.02  # [1] a flow this close to one of the standard's is that flow


def limit_frame(meters: Sequence[Meter], rule: ServiceRule) -> pl.DataFrame:
    """Flows and limits of each catalog meter, one row a meter.

    Raises
    ------
    CatalogueError
        If the rule has flows only.
    """
    if rule.limits is None:
        raise CatalogueError(f"rule {rule.name!r} has no limits; name one that has")
    rows = []
    for index, meter in enumerate(meters):
        is_ruled = meter.meter_type in RULED_TYPES
        low, other = (
            (rule.limits.minimum, rule.limits.other)
            if is_ruled
            else (meter.low_limits, meter.normal_limits)
        )
        band = meter.compound
        rows.append(
            {
                "meter_index": index,
                "min_test_gpm": meter.min_test_gpm,
                "normal_min_gpm": meter.normal_min_gpm,
                "changeover_from_gpm": band.changeover_falling_gpm if band else None,
                "changeover_to_gpm": band.changeover_rising_gpm if band else None,
                "minimum_low": low[0],
                "minimum_high": low[1],
                "other_low": other[0],
                "other_high": other[1],
                "divides_by_indicated": is_ruled and rule.denominator == "indicated",
                "limits_from": rule.name if is_ruled else meter.standard or "catalog",
            }
        )
    numbers = dict.fromkeys(
        ("min_test_gpm", "normal_min_gpm", "changeover_from_gpm", "changeover_to_gpm",
         "minimum_low", "minimum_high", "other_low", "other_high"), pl.Float64,
    )  # fmt: skip
    return pl.DataFrame(rows, schema_overrides={"meter_index": pl.Int64, **numbers})


def judged_points(
    points: pl.DataFrame, limits: pl.DataFrame, *, units: UnitSystem = "us"
) -> pl.DataFrame:
    """Each point with its limits and whether it is out of them.

    Parameters
    ----------
    points : frame
        meter_id, meter_index, flow_gpm [gpm], ratio (registered over actual volume [1]).
    limits : frame
        Of `limit_frame`.
    units
        Of flows in words.

    Returns
    -------
    frame
        `points` with point (below_minimum, minimum, changeover, normal), low, high [1], error
        (registration as the rule divides [1]), is_out and said (the failure in words, or null).
        A flow below the standard's minimum is not judged.
    """
    told = points.join(limits, on="meter_index", how="left", maintain_order="left")
    flow = pl.col("flow_gpm")
    is_between = flow.is_between(pl.col("changeover_from_gpm"), pl.col("changeover_to_gpm"))
    told = told.with_columns(
        point=pl.when(flow < pl.col("min_test_gpm") * (1 - _SAME_FLOW))
        .then(pl.lit("below_minimum"))
        .when(is_between.fill_null(value=False))
        .then(pl.lit("changeover"))
        .when(flow < pl.col("normal_min_gpm") * (1 - _SAME_FLOW))
        .then(pl.lit("minimum"))
        .otherwise(pl.lit("normal"))
    )
    is_low = pl.col("point") == "minimum"
    is_judged = pl.col("point") != "below_minimum"
    inverse = 2 - 1 / pl.col("ratio").clip(1e-9)
    told = told.with_columns(
        low=pl.when(pl.col("point") == "changeover")
        .then(pl.lit(CHANGEOVER_LEAST))
        .when(is_low)
        .then("minimum_low")
        .otherwise("other_low"),
        high=pl.when(is_low).then("minimum_high").otherwise("other_high"),
        registered=pl.when("divides_by_indicated").then(inverse).otherwise("ratio"),
    )
    slow = is_judged & (pl.col("registered") < pl.col("low") - ROUNDING)
    fast = is_judged & (pl.col("registered") > pl.col("high") + ROUNDING)
    told = told.with_columns(
        is_slow=slow.fill_null(value=False), is_fast=fast.fill_null(value=False)
    ).with_columns(is_out=pl.col("is_slow") | pl.col("is_fast"))
    bound = pl.when("is_slow").then("low").otherwise("high")
    words = pl.when("is_slow").then(pl.lit("below")).otherwise(pl.lit("above"))
    return told.with_columns(
        said=pl.when("is_out").then(
            pl.format(
                f"{{}} % at {{}} {'gpm' if units == 'us' else 'm3/h'}, {{}} {{}} %",
                (100 * pl.col("registered")).round(1),
                (flow if units == "us" else flow / GPM_PER_M3H).round_sig_figs(3),
                words,
                (100 * bound).round(1),
            )
        )
    )


def flows_to_test(meter: Meter, rule: ServiceRule) -> tuple[tuple[str, float], ...]:
    """Point and flow [gpm] of a test of this meter, from low to high.

    The rule's flows where it names the type and size; otherwise the standard's minimum, a
    compound's changeover, and three flows of the normal range: its lowest, a middle one, and
    the continuous rating (as high as practicable).
    """
    if meter.meter_type in RULED_TYPES and meter.size_in in rule.flows:
        names = ("minimum", "intermediate", "maximum")
        return tuple(zip(names, rule.flows_gpm(meter.size_in), strict=True))
    middle = float(np.sqrt(meter.normal_min_gpm * meter.continuous_gpm))
    found = [
        ("minimum", meter.min_test_gpm),
        ("low normal", meter.normal_min_gpm),
        ("middle normal", middle),
        ("high normal", meter.continuous_gpm),
    ]
    if meter.compound is not None:
        parts = meter.compound
        found += [
            ("changeover, falling", parts.changeover_falling_gpm),
            ("changeover, rising", parts.changeover_rising_gpm),
        ]
    if meter.min_test_gpm >= meter.normal_min_gpm * (1 - _SAME_FLOW):
        found = found[1:]
    return tuple(sorted(found, key=lambda pair: pair[1]))
