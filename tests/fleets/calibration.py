"""The handbook's page of how well estimates hold, by one command.

    RIGHTSIZE_FLEETS=some/folder python -m tests.fleets.calibration

Fleets named here judge only; constants were set on others (see the page).
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
from scipy.stats import binom

from pipelines.configuration.load_catalogue import load_catalogue
from pipelines.configuration.load_priors import load_priors
from tests.fleets.fleet import ALL_WRONG, simulate_fleet
from tests.fleets.kept import kept
from tests.fleets.recorded import recorded_fleet
from tests.fleets.scorecard import (
    ODDS_FROM,
    SIZE_WORDS,
    Card,
    card_of,
    infer_fleet,
    with_further_samples,
)

PAGE = Path(__file__).parents[2] / "rightsize" / "handbook" / "calibration.md"
INTERVALS = (60.0, 15.0)
WRONG = "wrong curves, classes, registers, seasons"
FLEETS = {
    "recorded water": tuple(("recorded", seed) for seed in range(121, 141)),
    "simulated, unseen": tuple(
        ("simulated", seed) for seed in (*range(1061, 1101), *range(1141, 1261))
    ),
    WRONG: tuple(("wrong", seed) for seed in range(1111, 1131)),
    "the same, and new meters of other makes": tuple(
        ("wrong makes", seed) for seed in range(1111, 1131)
    ),
}  # the last has no floors
FLOORS = {
    "promised_over_true": ((0.8, 1.25), (0.85, 1.15), (0.75, 1.3)),
    "gain_in_pct": ((80, 97), (85, 97), (80, 97)),
    "peak_in_pct": ((85, 97), (88, 97), (85, 100)),
    "overrun_pct": ((0, 2), (0, 1.5), (0, 3)),
    "realised_pct": ((93, 100), (88, 100), (80, 100)),
    "logged_pct": ((0, 15), (0, 15), (0, 20)),
    "false_undersized_pct": ((0, 1), (0, 1), (0, 2)),
}
WITH_FLOORS = 3  # groups of fleets, in the order of `FLEETS`
SIMULATED = 1  # of these, the one whose kinds of site have a floor
KIND_FLOOR = (0.6, 1.6)  # of estimated over true gain
WORDS = {
    "promised_over_true": "estimated over true gain, changes recommended",
    "gain_in_pct": "true gain inside its 90 % range [%]",
    "peak_in_pct": "true peak inside its 90 % range [%]",
    "overrun_pct": "picks overrun [%]",
    "realised_pct": "net benefit realized of the best choice, a log counted less 150 USD [%]",
    "logged_pct": "logged first [%]",
    "false_undersized_pct": "falsely undersized [%]",
}
TOTALS = "true total of a fleet inside its 90 % range"
BY_FLEET = {  # their range is that of fleets like these
    "promised_over_true": ("promised_gal", "true_gal"),
    "realised_pct": ("gained_usd", "oracle_usd"),
}
RESAMPLES = 2000
SHARES = ("gain_in_pct", "peak_in_pct", "overrun_pct", "logged_pct", "false_undersized_pct")
KNOWN = {
    "log_spread_pct": "realized, a log's cost spread over the years it serves [%]",
    "by_all_but_unseen_pct": "for comparison: realized by the same rules if every flow were"
    " known but what no read can show, and how that was planted [%]",
    "by_flow_pct": "realized by true flow and the catalog's curves [%]",
    "by_spread_pct": "realized by true flow and how curves differ, by the same rules [%]",
    "by_mean_pct": "the same by the highest mean, whatever the risk [%]",
}


def fleet(kind, seed, meters, *, per_kind=None, intervals=INTERVALS):
    """A fleet by its kind: truth, and a block of profiles by read interval."""
    makers = {
        "recorded": lambda: recorded_fleet(
            "judge", seed, meters=meters, per_kind=per_kind or 12, intervals=intervals
        ),
        "simulated": lambda: simulate_fleet(
            seed, sites_per_kind=per_kind or 5, meters=meters, intervals=intervals
        ),
        "wrong": lambda: simulate_fleet(
            seed, sites_per_kind=per_kind or 5, meters=meters, intervals=intervals,
            wrongs=ALL_WRONG,
        ),
    }  # fmt: skip
    made = kind.removesuffix(" makes")
    return kept(makers[made], made, seed, per_kind, intervals, meters)


def cards(fleets=FLEETS, *, ages=True, **more):
    """Cards of every group of fleets by read interval: {group: {interval: Card}}.

    With `ages`, the meter list tells how old meters are.
    """
    meters, priors = tuple(load_catalogue().meters), load_priors()
    found = {}
    for group, members in fleets.items():
        for kind, seed in members:
            truth, blocks = fleet(kind, seed, meters, **more)
            for interval, block in blocks.items():
                told = truth.age_years if ages else None
                first = infer_fleet(block, meters, priors, age_years=told)
                card, _ = card_of(
                    truth, block, meters, first,
                    decides=with_further_samples(first, block, meters, priors, age_years=told),
                    wrong_curves=kind.startswith("wrong"), makes=kind == "wrong makes",
                )  # fmt: skip
                total = found.setdefault(group, {}).setdefault(interval, Card())
                total.add(card).by_fleet.append(card)
    return found


def range_of(card, name, share=0.9):
    """Range of a figure over fleets drawn again from those of a card (bootstrap)."""
    count = len(card.by_fleet)
    drawn = np.random.default_rng(count).integers(0, count, (RESAMPLES, count))
    over, under = (
        np.array([getattr(c, column) for c in card.by_fleet])[drawn].sum(axis=1)
        for column in BY_FLEET[name]
    )
    scale = 100 if name.endswith("_pct") else 1
    return np.quantile(scale * over / under, [(1 - share) / 2, (1 + share) / 2])


def outside(found):
    """Figures that leave their floor: lines of group, interval, figure, value and floor."""
    out = []
    for column, (group, by_interval) in enumerate(list(found.items())[:WITH_FLOORS]):
        for interval, card in by_interval.items():
            place = f"{group}, {interval:g} min"
            for name, floors in FLOORS.items():
                value, (low, high) = card.figures[name], floors[column]
                if not low <= value <= high:
                    chance = _by_chance(name, value, low, high, card)
                    out.append(f"{place}: {name} {value:.3g}, floor {low} to {high}{chance}")
            out += _kinds_outside(place, card) if column == SIMULATED else []
    return out


def _kinds_outside(place, card):
    """Kinds of site whose estimated over true gain leaves its floor, with their range."""
    out = []
    for (label, kind), whole in sorted(card.by_group.items()):
        value, (low, high) = whole.figures["promised_over_true"], KIND_FLOOR
        if label == "kind" and not low <= value <= high:
            of_fleets = [c.by_group.get((label, kind), Card()) for c in card.by_fleet]
            ends = range_of(replace(whole, by_fleet=of_fleets), "promised_over_true")
            out.append(
                f"{place}, {kind}: promised_over_true {value:.3g}, floor {low} to {high}"
                f" ({whole.changed:.0f} changes; range of such fleets {ends[0]:.3g}"
                f" to {ends[1]:.3g})"
            )
    return out


def _by_chance(name, value, low, high, card):
    """How often a method just at its floor shows such a share; the range of other figures."""
    if name not in SHARES:
        low, high = range_of(card, name)
        return f" (range of such fleets {low:.3g} to {high:.3g})"
    accounts = card.accounts
    count, end = round(value / 100 * accounts), (high if value > high else low) / 100
    tail = (
        binom.sf(count - 1, accounts, end) if value > high else binom.cdf(count, accounts, end)
    )
    return f" (a method at its floor shows that in {100 * tail:.2g} % of such fleets)"


def _table(head, rows):
    lines = ["| " + " | ".join(head) + " |", "|" + "---|" * len(head)]
    return "\n".join([*lines, *("| " + " | ".join(row) + " |" for row in rows)])


def _cell(card, name):
    """A figure, with the range of such fleets where it hangs on a few accounts."""
    if name not in BY_FLEET:
        return f"{card.figures[name]:.3g}"
    low, high = range_of(card, name)
    return f"{card.figures[name]:.3g} ({low:.3g} to {high:.3g})"


def _figures(found):
    head = ["figure", "floor and found", *(f"{g}, {t:g} min" for g in found for t in found[g])]
    rows = []
    for name, floors in FLOORS.items():
        told = "; ".join(f"{low:g} to {high:g}" for low, high in floors)
        cells = [_cell(c, name) for g in found.values() for c in g.values()]
        rows.append([WORDS[name], told, *cells])
    totals = [c.figures["totals_in"] for g in found.values() for c in g.values()]
    rows.append([TOTALS, "17 of 20", *totals])
    for name, words in KNOWN.items():
        cells = [f"{c.figures[name]:.3g}" for g in found.values() for c in g.values()]
        rows.append([words, "", *cells])
    head[1] = "floors, in the order of the fleets"
    counts = [f"{c.accounts:.0f}, {c.changed:.0f}" for g in found.values() for c in g.values()]
    rows.insert(0, ["accounts, changes", "", *counts])
    return _table(head, rows)


def _groups(found, label):
    rows = []
    for group, by_interval in found.items():
        for (name, value), card in sorted(by_interval[60.0].by_group.items()):
            if name == label:
                f = card.figures
                shown = ("promised_over_true", "gain_in_pct", "peak_in_pct", "realised_pct")
                cells = ["" if f[k] != f[k] else f"{f[k]:.3g}" for k in shown]
                rows.append(
                    [group, value.replace("_", " "), f"{card.accounts:.0f}",
                     f"{card.changed:.0f}", *cells]
                )  # fmt: skip
    head = ["fleets", label, "accounts", "changes", "estimated over true", "gain inside [%]",
            "peak inside [%]", "realized [%]"]  # fmt: skip
    return _table(head, rows)


def _odds(found):
    ends = (*ODDS_FROM[1:], 1.0)
    rows = []
    for k, low in enumerate(ODDS_FROM):
        cells = [f"{low:g} to {ends[k]:g}"]
        for by_interval in found.values():
            count, told, pays = by_interval[60.0].odds[k]
            cells += [f"{count:.0f}"]
            cells += [f"{told / count:.2f}, {pays / count:.2f}" if count else ""]
        rows.append(cells)
    head = ["probability of net benefit told"]
    for group in found:
        head += [f"{group}: meters", "told, true"]
    return _table(head, rows)


def _untold(found):
    shown = ("promised_over_true", "gain_in_pct", "overrun_pct", "realised_pct", "logged_pct",
             "totals_in")  # fmt: skip
    words = WORDS | {"totals_in": TOTALS}
    rows = []
    for name in shown:
        cells = [c[60.0].figures[name] for c in found.values()]
        rows.append([words[name], *(v if isinstance(v, str) else f"{v:.3g}" for v in cells)])
    return _table(["figure", *found], rows)


def _sizes(found):
    rows = []
    for group, by_interval in found.items():
        card = by_interval[60.0]
        cells = [f"{told / true:.2f}" if true else "" for told, true in card.by_size]
        rows.append([group, *cells])
    return _table(["fleets", *SIZE_WORDS], rows)


def write(found, untold):
    """The page, between its marks; `untold` are the cards of fleets that tell no ages."""
    text = PAGE.read_text(encoding="utf-8")
    for name, part in (
        ("figures", _figures(found)), ("kinds", _groups(found, "kind")),
        ("types", _groups(found, "type")), ("odds", _odds(found)), ("sizes", _sizes(found)),
        ("untold", _untold(untold)),
        ("outside", "\n".join(f"- {line}" for line in outside(found)) or "None."),
    ):  # fmt: skip
        begin, end = f"<!-- {name}: begin -->", f"<!-- {name}: end -->"
        before, rest = text.split(begin)
        text = before + begin + "\n" + part + "\n" + end + rest.split(end)[1]
    PAGE.write_text(text, encoding="utf-8")


if __name__ == "__main__":
    everything = cards()
    write(everything, cards(dict(list(FLEETS.items())[:3]), ages=False))
    print("\n".join(outside(everything)) or "every figure keeps its floor")
