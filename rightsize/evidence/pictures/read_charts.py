"""Pictures of what interval reads can and cannot tell."""

from __future__ import annotations

from typing import Any, Final

import altair as alt
import numpy as np

from rightsize.inference.meter.censoring import unseen_odds
from rightsize.inference.water_use.kernels import CENTRES, KernelKind, pulse_kernel
from rightsize.inference.water_use.priors import Priors
from rightsize.inference.water_use.pulses import variance_ratio

WIDTH: Final = 620
HEIGHT: Final = 240
CLASSES_SHOWN: Final = ("office", "apartments", "hospital")


def one_hour_three_ways() -> alt.Chart:
    """Three hours of 60 gal each, minute by minute."""
    minute = np.arange(60)
    ways = {
        "1 gpm all hour": np.ones(60),
        "ten uses of 3 gpm for 2 min": np.where(minute % 6 < 2, 3.0, 0.0),
        "one minute of 60 gpm": np.where(minute == 20, 60.0, 0.0),
    }
    rows = [
        {"way": way, "minute": int(m), "flow_gpm": float(flow[m])}
        for way, flow in ways.items()
        for m in minute
    ]
    return _line(
        rows,
        x="minute",
        y="flow_gpm",
        by="way",
        order=list(ways),
        titles=("minute of hour", "flow [gpm]"),
        title="Three hours, one read: 60 gal",
        log_y=True,
        interpolate="step-after",
    )


def what_averaging_leaves() -> alt.Chart:
    """Share of the flow's standard deviation that reads keep, by interval and use duration."""
    lengths = np.geomspace(0.2, 60, 60)
    rows = [
        {
            "draw": f"{minutes:g} min",
            "interval_min": round(float(t), 3),
            "kept_pct": round(100 * float(np.sqrt(variance_ratio(t, minutes))), 2),
        }
        for minutes in (0.15, 1, 8, 60)
        for t in lengths
    ]
    return _line(
        rows,
        x="interval_min",
        y="kept_pct",
        by="draw",
        order=None,
        titles=("read interval [min]", "flow variation kept [%]"),
        title="Flow variation that reads keep, by duration of use",
        log_x=True,
    )


def inside_an_hour(*, mean_gpm: float = 12.0) -> alt.Chart:
    """Flow exceeded so much of an hour of one mean, for use events of three intensities."""
    kernel = pulse_kernel(KernelKind(0.45))
    rows = []
    for intensity in (2.0, 5.0, 20.0):
        row = int(np.argmin(np.abs(np.log(CENTRES * intensity / mean_gpm))))
        above = np.cumsum(kernel.mass[row][::-1])[::-1]
        rows += [
            {
                "draw": f"uses of {intensity:g} gpm",
                "flow_gpm": round(float(c * intensity), 3),
                "time_pct": round(100 * float(a), 4),
            }
            for c, a in zip(CENTRES, above, strict=True)
            if 0.5 < c * intensity < 200 and a > 1e-5
        ]
    return _line(
        rows,
        x="flow_gpm",
        y="time_pct",
        by="draw",
        order=None,
        titles=("flow [gpm]", "time above this flow [%]"),
        title=f"Flow within an hour that averages {mean_gpm:g} gpm",
        log_x=True,
        log_y=True,
    )


def odds_of_unseen_flow(priors: Priors) -> alt.Chart:
    """Probability of steady flow below the start if nights show none, by starting flow."""
    starts = np.geomspace(0.02, 20, 50)
    rows = []
    for name in CLASSES_SHOWN:
        steady = priors.of(name).steady
        odds = unseen_odds(
            np.asarray(steady.share), np.log(steady.flow_gpm), np.asarray(steady.log_sd), starts
        )
        rows += [
            {
                "class": name,
                "start_gpm": round(float(s), 4),
                "odds_pct": round(100 * float(o), 2),
            }
            for s, o in zip(starts, odds, strict=True)
        ]
    return _line(
        rows,
        x="start_gpm",
        y="odds_pct",
        by="class",
        order=list(CLASSES_SHOWN),
        titles=(
            "starting flow of the installed meter [gpm]",
            "probability of unseen steady flow [%]",
        ),
        title="Nights that read zero: is there flow below the starting flow?",
        log_x=True,
    )


def _line(
    rows: list[dict[str, Any]],
    *,
    x: str,
    y: str,
    by: str,
    order: list[str] | None,
    titles: tuple[str, str],
    title: str,
    log_x: bool = False,
    log_y: bool = False,
    interpolate: str = "linear",
) -> alt.Chart:
    kinds = ("log" if log_x else "linear", "symlog" if log_y else "linear")
    chart: alt.Chart = (
        alt.Chart(alt.InlineData(values=rows), width=WIDTH, height=HEIGHT, title=title)
        .mark_line(interpolate=interpolate)  # type: ignore[arg-type]
        .encode(
            x=alt.X(f"{x}:Q", title=titles[0], scale=alt.Scale(type=kinds[0], nice=False)),  # type: ignore[arg-type]
            y=alt.Y(f"{y}:Q", title=titles[1], scale=alt.Scale(type=kinds[1])),  # type: ignore[arg-type]
            color=alt.Color(
                f"{by}:N", title=by, sort=order, scale=alt.Scale(scheme="tableau10")
            ),
        )
    )
    return chart
