"""The handbook's page on meters, written from the shipped catalogue: `python -m
pipelines.handbook.catalogue`.

The page and its pictures are never edited by hand; a test fails when they no longer say what
the catalogue says.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any, Final

import vl_convert

from pipelines.configuration.load_catalogue import (
    load_catalogue,
    load_curve_rules,
    load_service_rules,
)
from rightsize.evidence.pictures.curve_charts import changeover_chart, curve_chart
from rightsize.meter_types import METER_TYPES
from rightsize.meters.build.ratings import CONFIDENCE_WORDS
from rightsize.meters.catalogue import Catalogue, Meter, label_of, size_words
from rightsize.meters.principles import principle_of
from rightsize.meters.service_tests import ServiceRule
from rightsize.units import GPM_PER_M3H

HANDBOOK: Final = Path(__file__).resolve().parents[2] / "rightsize" / "handbook"
PAGE: Final = "catalogue.md"
PICTURES: Final = "catalogue"
COMPARED_SIZE_IN: Final = 2.0

_HEAD: Final = """# The meter catalogue

<!-- Written by `python -m pipelines.handbook.catalogue`: change the catalogue, not this. -->

These are the meters that rightsize knows when a utility gives no catalogue of its own
(`config/catalogue.yaml`, with `config/meters/ratings.yaml` for what the standards say and
`config/meters/curves.yaml` for how curves are drawn). It is a place to start from: put in your
own meters' certificates and your own prices before money rests on them.

| word | meaning |
|---|---|
| start | below this flow the meter does not move and registers nothing |
| min test | lowest flow of the standard's test (Q1 of a metric meter) |
| normal from | from here to SMOC a new meter keeps its normal limits (Q2 of a metric meter) |
| continuous | may run day and night without early wear (Q3) |
| SMOC | safe maximum operating capacity: short peaks only (Q4) |
| range | SMOC over min test flow |
| loss | head lost at SMOC; at other flows by the square of the flow |

Flows are in gallons a minute, with cubic metres an hour in brackets where they limit a choice.
"""


def pictures(catalogue: Catalogue) -> dict[str, dict[str, Any]]:
    """Chart of each picture, by file name, as Vega-Lite."""
    charts = {
        f"{kind}.svg": curve_chart(meters, title=f"{_words(kind).capitalize()}: new meters")
        for kind, meters in _by_type(catalogue)
    }
    alike = [m for m in catalogue.meters if abs(m.size_in - COMPARED_SIZE_IN) < 1e-6]
    charts["two_inch.svg"] = curve_chart(alike, title="2 in meters of every type", by="type")
    compound = catalogue.find("compound", COMPARED_SIZE_IN)
    charts["changeover.svg"] = changeover_chart(
        compound, title="Hand-over of the 2 in compound, by the direction of the flow"
    )
    return {name: chart.to_dict() for name, chart in charts.items()}


def fingerprint(chart: dict[str, Any]) -> str:
    """Short hash of what a chart shows, whatever version drew it."""
    shown = {k: v for k, v in chart.items() if k not in {"$schema", "config"}}
    return hashlib.sha256(json.dumps(shown, sort_keys=True).encode()).hexdigest()[:12]


def page(catalogue: Catalogue) -> str:
    """The whole page as Markdown."""
    charts = pictures(catalogue)
    parts = [_HEAD, _picture("two_inch.svg", "Curves of 2 in meters of every type", charts)]
    for kind, meters in _by_type(catalogue):
        parts += _type_section(kind, meters, charts)
    parts += [_unrated(catalogue), _rules(), _uncertainty(), _test_rules()]
    return "\n".join(parts).rstrip() + "\n"


def write(folder: Path = HANDBOOK) -> list[Path]:
    """Write the page and its pictures; the files written."""
    catalogue = load_catalogue()
    (folder / PICTURES).mkdir(parents=True, exist_ok=True)
    written = [folder / PAGE]
    written[0].write_text(page(catalogue), encoding="utf-8")
    for name, chart in pictures(catalogue).items():
        path = folder / PICTURES / name
        svg = vl_convert.vegalite_to_svg(chart)
        path.write_text(f"{svg}\n<!-- {fingerprint(chart)} -->\n", encoding="utf-8")
        written.append(path)
    return written


def _by_type(catalogue: Catalogue) -> Iterable[tuple[str, list[Meter]]]:
    for kind in METER_TYPES:
        meters = [m for m in catalogue.meters if m.meter_type == kind]
        if meters:
            yield kind, meters


def _type_section(
    kind: str, meters: Sequence[Meter], charts: dict[str, dict[str, Any]]
) -> list[str]:
    principle = principle_of(kind)
    about = (
        f"\n## {_words(kind).capitalize()}\n\n"
        f"How it measures: {principle.measures}. Suits: {principle.duty}. "
        f"Needs: {principle.maintenance}. (Common practice.)\n"
    )
    parts = [about, _picture(f"{kind}.svg", f"Curves of new {_words(kind)} meters", charts)]
    if kind == "compound":
        parts.append(
            _picture(
                "changeover.svg", "Registration of a 2 in compound near changeover", charts
            )
        )
    return [*parts, _ratings(meters), _sources(meters)]


def _ratings(meters: Sequence[Meter]) -> str:
    heads = ("meter", "start", "min test", "normal from", "continuous", "SMOC", "range",
             "loss [psi]", "price [USD]", "life [years]", "ratings")  # fmt: skip
    rows = [
        (
            _size(m),
            _number(m.starting_gpm),
            _number(m.min_test_gpm),
            _number(m.normal_min_gpm),
            _both(m.continuous_gpm),
            _both(m.smoc_gpm),
            _number(m.flow_range_ratio) + ":1",
            _number(m.head_loss_psi_at_smoc),
            f"{m.price_usd:,.0f}",
            f"{m.life_years:g}",
            CONFIDENCE_WORDS[m.confidence],
        )
        for m in meters
    ]
    return _table(heads, rows)


def _sources(meters: Sequence[Meter]) -> str:
    lines: dict[str, list[str]] = {}
    for meter in meters:
        lines.setdefault(meter.source, []).append(_size(meter))
    cited = [f"- {', '.join(names)}: {source}." for source, names in lines.items()]
    return (
        "\nSources; prices, upkeep and life are common practice:\n\n" + "\n".join(cited) + "\n"
    )


def _unrated(catalogue: Catalogue) -> str:
    why: dict[tuple[str, str, str], list[float]] = {}
    for meter in catalogue.unrated:
        label = label_of(meter.meter_type, meter.size_in, meter.grade, units="us")
        kind = label.split(" in ", 1)[1]
        why.setdefault((kind, meter.standard, meter.why), []).append(meter.size_in)
    rows = [
        (kind, standard, ", ".join(map(size_words, sizes)), reason)
        for (kind, standard, reason), sizes in why.items()
    ]
    return (
        "\n## Known, but not rated\n\nAccounts on these meters are recognised and not "
        "assessed; none is ever recommended.\n\n"
        + _table(("type", "standard", "sizes [in]", "why"), rows)
    )


def _rules() -> str:
    rules = load_curve_rules()
    rows = [
        (
            _words(kind),
            f"{rule.start_share:g}",
            f"{100 * rule.start_ratio:g} %",
            f"{rule.stop_band:g}",
            f"{rule.min_test_place:g}",
            f"{rule.loss_power:g}",
        )
        for kind in METER_TYPES
        for rule in [rules.of(kind)]  # type: ignore[arg-type]
    ]
    return (
        "\n## How a generic curve is drawn\n\nOne law a type, never a number per size. At low "
        "flow a meter loses registration: a displacement meter a constant slip past its "
        "chamber, so that the loss goes with 1 over flow (*power* 1), a rotor to a constant "
        "friction, so that it goes with 1 over flow squared (*power* 2; physics from memory, "
        "high trust, Baker, Flow Measurement Handbook). *Place* says where in its permitted "
        "band the curve passes at the min test flow (0 lower limit, 1 upper limit). "
        "*Start* is a share of the min test flow; from *stop band* times the start up the law "
        "holds, between the two some meters turn and some stand. Meters without moving parts "
        "are promised nothing below their minimum flow: R 49 promises nothing there. Shares "
        "and places are stated rules, sources in `config/meters/curves.yaml`. "
        "Between points the curve is linear over log flow, below the start it is zero, above "
        "SMOC it is held.\n\nA compound is put together from a displacement element and a high "
        "element. Its valve shuts at half of the low element's SMOC on falling flow and opens "
        "at 0.8 of it on rising flow, unless the entry gives both changeover flows. While the "
        "valve is open part of the water still passes the low element. The high element's "
        "start is such that the dip just keeps the standard's floor. Where nothing is known of "
        "the flow's past, the mean of both directions counts.\n\n"
        + _table(
            ("type", "start", "registered at start", "stop band", "place at min test", "power"),
            rows,
        )
    )


def _uncertainty() -> str:
    return (
        "\n## What is not known of a curve\n\nA new meter may stand anywhere within its "
        "permissible limits, so candidates are drawn there, with errors that hang together "
        "along the curve. Below the min test flow nobody tests: start and loss are held to "
        "move together by a factor, 1.6 either way for nine makes of ten, one for every type "
        "(our convention). A sweep holds installed meters to these curves of new ones too, "
        "unless [accuracy tests or a stated wear](accuracy_tests.md) say what they have lost; "
        "no rate of decay is assumed.\n\nWhere tests of a group are few they lean on what "
        "meters in the ground may be: a share of the way to the limit at which they must leave "
        "service (twice the permissible error: at the minimum flow that is the 90 % of Maine "
        "and Maryland), most at low flow. Meters without moving parts do not wear, but may "
        "stand within twice their limits.\n"
    )


def _test_rules() -> str:
    rules = [r for r in load_service_rules().rules if r.flows]
    sizes = sorted({size for r in rules for size in r.flows})
    rows = [(size_words(size), *(_three(r.flows.get(size)) for r in rules)) for size in sizes]
    heads = ("size [in]", *(_words(r.name) for r in rules))
    limits = [
        f"- {_words(r.name)}: {_limits(r)} ({r.source})" for r in load_service_rules().rules
    ]
    return (
        "\n## Test flows of displacement meters\n\nMinimum / intermediate / maximum [gpm].\n\n"
        + _table(heads, rows)
        + "\nLimits of registration:\n\n"
        + "\n".join(limits)
    )


def _three(flows_gpm: tuple[float, float, float] | None) -> str:
    return "-" if flows_gpm is None else " / ".join(f"{q:g}" for q in flows_gpm)


def _limits(rule: ServiceRule) -> str:
    if rule.limits is None:
        return "flows only"
    (low, high), (other_low, other_high) = rule.limits.minimum, rule.limits.other
    at_min = f"{100 * (low or 0):g}" + (f" to {100 * high:g} %" if high else " % or more")
    of = "" if rule.denominator == "actual" else ", error over the meter's own volume"
    return (
        f"{at_min} at the minimum flow, {100 * (other_low or 0):g} to "
        f"{100 * (other_high or 0):g} % at the others{of}"
    )


def _picture(name: str, words: str, charts: dict[str, dict[str, Any]]) -> str:
    return f"![{words}]({PICTURES}/{name})\n<!-- {fingerprint(charts[name])} -->\n"


def _table(heads: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    lines = [heads, ["---"] * len(heads), *rows]
    return "\n".join("| " + " | ".join(cells) + " |" for cells in lines) + "\n"


def _number(value: float) -> str:
    """Three significant digits, never an exponent."""
    return f"{value:.3g}" if abs(value) < 999.5 else f"{value:.0f}"


def _both(flow_gpm: float) -> str:
    return f"{_number(flow_gpm)} ({_number(flow_gpm / GPM_PER_M3H)})"


def _size(meter: Meter) -> str:
    grade = "" if meter.grade == "standard" else f", {_words(meter.grade)}"
    return f"{size_words(meter.size_in)} in{grade}"


def _words(name: str) -> str:
    return name.replace("_", " ")


if __name__ == "__main__":
    for path in write():
        print(path)
