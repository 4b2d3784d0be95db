"""A demo folder written again as a metric utility would write it: same water, same registers.

Factors are the definitions (1 ft = 0.3048 m, 1 US gallon = 231 cubic inches, both exact in
cubic metres), applied to the printed text in decimal arithmetic, not through the code under
test.
"""

from __future__ import annotations

from decimal import Decimal, InvalidOperation
from pathlib import Path
from typing import Any, Final

import polars as pl
import yaml

from rightsize.meters.catalogue import Catalogue, Meter

M3_OF_GAL: Final = Decimal("0.003785411784")
M3_OF_FT3: Final = Decimal("0.028316846592")
GPM_OF_M3H: Final = float(1 / (60 * M3_OF_GAL))
BAR_OF_PSI: Final = Decimal("0.06894757293168")
MM_OF_IN: Final = {
    0.625: 15, 0.75: 20, 1.0: 25, 1.5: 40, 2.0: 50, 3.0: 80, 4.0: 100, 6.0: 150, 8.0: 200,
    10.0: 250, 12.0: 300, 16.0: 400,
}  # fmt: skip
DIAL_TURN: Final = Decimal(10**7)
_MONEY: Final = (
    "price_usd",
    "install_usd",
    "upkeep_usd_per_year",
    "register_usd",
    "electronics_usd",
    "electronics_years",
    "failure_pct_per_year",
    "warranty_years",
    "life_years",
    "is_lead_free",
    "needs_power",
)


def write_metric_twin(us: Path, metric: Path, catalogue: Catalogue) -> None:
    """Write `us`, a demo folder whose sizes are those of `catalogue`, as a metric utility's."""
    (metric / "exports").mkdir(parents=True)
    for path in sorted((us / "exports").glob("reads*.csv")):
        _write_volumes(path, metric / "exports" / path.name, "volume", "volume")
    for path in sorted((us / "exports").glob("cellular*.csv")):
        _write_volumes(path, metric / "exports" / path.name, "usage_gal", "usage_m3")
    _write_dials(sorted((us / "exports").glob("walkby*.csv")), metric / "exports")
    _write_meters(us / "meters.csv", metric / "meters.csv")
    entries = [_entry(m) for m in catalogue.meters]
    (metric / "catalogue.yaml").write_text(yaml.safe_dump(entries, sort_keys=False))
    _write_tariff(us / "tariff.yaml", metric / "tariff.yaml")
    _write_thresholds(us / "thresholds.yaml", metric / "thresholds.yaml")
    _write_settings(us / "sweep.yaml", metric / "sweep.yaml")


def _times(text: str | None, factor: Decimal) -> str | None:
    """The number in another unit, to the last digit; what is no number stays as it is."""
    try:
        return text if text is None else f"{Decimal(text) * factor:f}"
    except InvalidOperation:
        return text


def _texts(path: Path) -> pl.DataFrame:
    return pl.read_csv(path, infer_schema=False)


def _converted(column: pl.Series, factor: Decimal) -> pl.Series:
    told = {text: _times(text, factor) for text in column.unique()}
    return pl.Series(column.name, [told[text] for text in column], dtype=pl.String)


def _write_volumes(source: Path, target: Path, name: str, metric_name: str) -> None:
    frame = _texts(source)
    volume = _converted(frame[name], M3_OF_GAL)
    frame.with_columns(volume).rename({name: metric_name}).write_csv(target)


def _write_dials(sources: list[Path], folder: Path) -> None:
    """Dials in m3 that turn over at the same moment as those in ft3 did."""
    passed: dict[str, Decimal] = {}  # ft3 since a meter's first reading
    last: dict[str, Decimal] = {}
    first: dict[str, Decimal] = {}
    for source in sources:
        frame = _texts(source)
        told = []
        for serial, text in frame.select("serial", "dial_ft3").iter_rows():
            dial = Decimal(text)
            before = last.get(serial, dial)
            first.setdefault(serial, dial)
            turned = DIAL_TURN if dial < before else 0
            passed[serial] = passed.get(serial, Decimal(0)) + dial - before + turned
            last[serial] = dial
            to_go = (DIAL_TURN - first[serial] - passed[serial]) * M3_OF_FT3
            told.append(f"{(DIAL_TURN - to_go) % DIAL_TURN:f}")
        dials = pl.Series("dial_ft3", told, dtype=pl.String)
        frame.with_columns(dials).rename({"dial_ft3": "dial_m3"}).write_csv(
            folder / source.name
        )


def _write_meters(source: Path, target: Path) -> None:
    frame = _texts(source)
    step = [
        _times(text, M3_OF_FT3 if unit == "ft3" else M3_OF_GAL)
        for text, unit in frame.select("resolution", "resolution_unit").iter_rows()
    ]
    columns = {
        "resolution": step,
        "resolution_unit": ["m3"] * len(frame),
        "size_in": [str(MM_OF_IN[float(s)]) for s in frame["size_in"]],
        "service_line_in": [
            str(MM_OF_IN[float(s)]) if s else None for s in frame["service_line_in"]
        ],
        "spare_head_psi": [_times(s, BAR_OF_PSI) for s in frame["spare_head_psi"]],
    }
    frame.with_columns(pl.Series(n, v, dtype=pl.String) for n, v in columns.items()).rename(
        {
            "size_in": "size_mm",
            "service_line_in": "service_line_mm",
            "spare_head_psi": "spare_head_bar",
        }
    ).write_csv(target)


def _entry(meter: Meter) -> dict[str, Any]:
    """The meter in metric keys: Q3, R and class where it is one of that family."""
    entry: dict[str, Any] = {
        "meter_type": meter.meter_type,
        "size_mm": MM_OF_IN[meter.size_in],
        "grade": meter.grade,
        **{name: value for name in _MONEY if (value := getattr(meter, name))},
    }
    if meter.standard.startswith("OIML"):
        q3_m3h = meter.continuous_gpm / GPM_OF_M3H
        loss_bar = meter.head_loss_psi_at_smoc * float(BAR_OF_PSI) / 1.25**2
        rated = {
            "q3_m3h": round(q3_m3h, 6),
            "r": round(meter.continuous_gpm / meter.min_test_gpm, 6),
            "accuracy_class": 2,
            "pressure_loss_bar": round(loss_bar, 6),
        }
        return entry | rated
    flows = ("starting", "min_test", "normal_min", "continuous", "smoc")
    return {
        **entry,
        **{f"{name}_m3h": getattr(meter, f"{name}_gpm") / GPM_OF_M3H for name in flows},
        "registration_m3h": [[q / GPM_OF_M3H, a] for q, a in meter.registration],
        "head_loss_bar_at_smoc": meter.head_loss_psi_at_smoc * float(BAR_OF_PSI),
    }


def _write_tariff(source: Path, target: Path) -> None:
    tariff = yaml.safe_load(source.read_text())
    for rate in tariff["classes"].values():
        if "sewer_usd_per_kgal" in rate:
            rate["sewer_usd_per_m3"] = _usd_per_m3(rate.pop("sewer_usd_per_kgal"))
        for tier in rate["tiers"]:
            tier["usd_per_m3"] = _usd_per_m3(tier.pop("usd_per_kgal"))
            if "up_to_gal_per_month" in tier:
                limit = Decimal(tier.pop("up_to_gal_per_month")) * M3_OF_GAL
                tier["up_to_m3_per_month"] = float(limit)
    charges = tariff.pop("fixed_charge_usd_per_month")
    tariff["fixed_charge_by_mm_usd_per_month"] = {
        MM_OF_IN[size]: usd for size, usd in charges.items()
    }
    target.write_text(yaml.safe_dump(tariff))


def _write_thresholds(source: Path, target: Path) -> None:
    limits = yaml.safe_load(source.read_text())
    limits["refit_usd_per_mm"] = limits.pop("refit_usd_per_in") / 25.4
    limits["spare_head_bar"] = 20 * float(BAR_OF_PSI)  # the defaults, told in metric
    limits["min_size_mm"] = 15
    target.write_text(yaml.safe_dump(limits))


def _usd_per_m3(usd_per_kgal: float) -> float:
    return usd_per_kgal / float(1000 * M3_OF_GAL)


def _write_settings(source: Path, target: Path) -> None:
    settings = yaml.safe_load(source.read_text())
    settings["units"] = "metric"
    for export in settings["exports"]:
        export["unit"] = "m3"
        export["columns"] = {
            ours: theirs.replace("_gal", "_m3").replace("_ft3", "_m3")
            for ours, theirs in export["columns"].items()
        }
    target.write_text(yaml.safe_dump(settings))
