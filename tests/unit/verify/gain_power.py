"""What can be seen of a gain so many weeks after a change-out: the handbook's figures.

    python -m tests.unit.verify.gain_power

Fleets are simulated (`tests/unit/verify/fleets.py`): season, drought by class, trends that
drift apart, scatter from week to week. Nothing was changed in them, so what is found is false;
a gain that came would move both ends of an interval by itself.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np

from pipelines.handbook.parts import with_parts
from rightsize.verify.panel import WEEKS
from rightsize.verify.power import FALSE_ALARM_SHARE, POWER_SHARE, cases_needed
from rightsize.verify.realised import realised
from tests.unit.verify.fleets import fleet

PAGE: Final = Path(__file__).parents[3] / "rightsize" / "handbook" / "did_the_gain_come.md"
WEEKS_AFTER: Final = (4, 8, 13, 26)
SCATTERS: Final = {
    "steady (4 % from week to week)": 0.04,
    "usual (8 %)": 0.08,
    "restless (16 %)": 0.16,
}
GAINS: Final = (0.02, 0.05, 0.10)
SEED: Final = 900  # judges only; no constant was set on it
KEPT, CHANGED = 400, 200


@dataclass(frozen=True)
class Seen:
    """What one simulated fleet shows so many weeks after its change-outs."""

    half_width_share: float  # middle case, of log(1 + gain)
    visible_share: float  # smallest gain that shows in four of five cases
    covered_share: float  # of intervals that hold the truth
    false_share: float  # of cases that show a gain where there is none
    shown_share: tuple[float, ...]  # of cases that show a gain of `GAINS`
    spread_share: float  # of what is found, where nothing is


def seen(scatter: float, weeks_after: int) -> Seen:
    """Placebo change-outs of one fleet."""
    made = fleet(
        SEED, kept=KEPT, changed=CHANGED, gain=(0.0, 0.0), scatter=scatter,
        weeks_after=(weeks_after, weeks_after + 1),
    )  # fmt: skip
    said = realised(made.panel, made.cases, WEEKS)
    told = np.isfinite(said.gain_share)
    low, gain, high = (
        np.log1p(ends[told])
        for ends in (said.gain_low_share, said.gain_share, said.gain_high_share)
    )
    # A gain moves the whole interval: it shows where it is above how far the low end reaches.
    needed = float(np.quantile(-low, POWER_SHARE))
    return Seen(
        half_width_share=float(np.median(high - low) / 2),
        visible_share=float(np.expm1(needed)),
        covered_share=float(((low <= 0) & (high >= 0)).mean()),
        false_share=float((low > 0).mean()),
        shown_share=tuple(float((low + np.log1p(g) > 0).mean()) for g in GAINS),
        spread_share=float(1.4826 * np.median(np.abs(gain - np.median(gain)))),
    )


def figures() -> dict[tuple[str, int], Seen]:
    """Every kind of fleet and number of weeks."""
    return {
        (name, weeks): seen(scatter, weeks)
        for name, scatter in SCATTERS.items()
        for weeks in WEEKS_AFTER
    }


def tables(found: dict[tuple[str, int], Seen]) -> dict[str, str]:
    """The page's tables by marker."""
    return {"one change-out": _one(found), "shown": _shown(found), "many": _many(found)}


def _row(cells: list[str]) -> str:
    return f"| {' | '.join(cells)} |"


def _table(heads: list[str], rows: list[list[str]]) -> str:
    return "\n".join(_row(line) for line in [heads, ["---"] * len(heads), *rows])


def _weeks_heads() -> list[str]:
    return [f"{weeks} weeks" for weeks in WEEKS_AFTER]


def _one(found: dict[tuple[str, int], Seen]) -> str:
    rows = []
    for name in SCATTERS:
        of_weeks = [found[name, weeks] for weeks in WEEKS_AFTER]
        rows += [
            [name, "range [+/- points]",
             *(f"{100 * s.half_width_share:.1f}" for s in of_weeks)],
            ["", "smallest gain seen in 4 of 5 [%]",
             *(f"{100 * s.visible_share:.1f}" for s in of_weeks)],
            ["", "ranges that hold the truth [%]",
             *(f"{100 * s.covered_share:.0f}" for s in of_weeks)],
            ["", "false gains [%]", *(f"{100 * s.false_share:.1f}" for s in of_weeks)],
        ]  # fmt: skip
    return _table(["use of the account", "one change-out", *_weeks_heads()], rows)


def _shown(found: dict[tuple[str, int], Seen]) -> str:
    rows = [
        [name if k == 0 else "", f"{100 * gain:.0f} %",
         *(f"{100 * found[name, weeks].shown_share[k]:.0f} %" for weeks in WEEKS_AFTER)]
        for name in SCATTERS
        for k, gain in enumerate(GAINS)
    ]  # fmt: skip
    return _table(["use of the account", "gain that came", *_weeks_heads()], rows)


def _many(found: dict[tuple[str, int], Seen]) -> str:
    rows = [
        [name if k == 0 else "", f"{100 * gain:.0f} %",
         *(f"{_needed(found[name, weeks], gain):,}" for weeks in WEEKS_AFTER)]
        for name in SCATTERS
        for k, gain in enumerate(GAINS)
    ]  # fmt: skip
    return _table(["use of the accounts", "mean gain", *_weeks_heads()], rows)


def _needed(made: Seen, gain: float) -> int:
    """Change-outs together that show a mean gain; their spread holds that of the controls."""
    return cases_needed(made.spread_share, gain_share=gain, controls=10**6)


def main() -> None:
    """Write the page's tables."""
    text = PAGE.read_text(encoding="utf-8")
    PAGE.write_text(with_parts(text, tables(figures())), encoding="utf-8")


if __name__ == "__main__":
    assert FALSE_ALARM_SHARE == 0.05, "the page says 5 %"
    main()
