"""The card that holds two meters side by side."""

from __future__ import annotations

import pytest

from rightsize.meters.catalogue import Catalogue
from rightsize.meters.comparison import comparison_card
from rightsize.meters.principles import PRINCIPLES


def test_a_compound_against_the_turbine_it_would_replace(shipped: Catalogue) -> None:
    turbine = shipped.find("turbine", 2)
    compound = shipped.find("compound", 2)
    card = comparison_card(turbine, compound, peak_gpm=100)
    assert card.installed == "2 in turbine"
    assert card.candidate == "2 in compound"
    assert card.row("turndown").candidate == pytest.approx(640)  # C702: 160 over 0.25 gpm
    assert card.row("turndown").better == "candidate"
    assert card.row("starting flow").better == "candidate"
    assert card.row("registered at 1 gpm").installed == 0
    assert card.row("registered at 1 gpm").candidate == pytest.approx(99.5, abs=0.5)
    assert card.row("price with register").better == "installed"
    assert card.row("O&M cost").better == "installed"
    # HAND: 7 psi x (100 / 190)^2 = 1.939; 20 psi x (100 / 160)^2 = 7.8125
    loss = card.row("head loss at peak")
    assert (loss.installed, loss.candidate) == pytest.approx((1.939, 7.8125), abs=1e-3)
    assert loss.better == "installed"


def test_every_aspect_that_a_practitioner_compares_is_there(shipped: Catalogue) -> None:
    card = comparison_card(shipped.meters[0], shipped.meters[-1], peak_gpm=10)
    aspects = {row.aspect for row in card.rows}
    assert aspects >= {
        "measuring principle", "turndown", "starting flow", "registered at 0.25 gpm",
        "head loss at peak", "maintenance", "price with register", "suits",
    }  # fmt: skip
    with pytest.raises(KeyError):
        card.row("color")


def test_a_meter_against_itself_is_never_better(shipped: Catalogue) -> None:
    for meter in shipped.meters:
        card = comparison_card(meter, meter, peak_gpm=meter.smoc_gpm)
        assert all(row.better == "neither" for row in card.rows)
        assert card.row("head loss at peak").installed == pytest.approx(
            meter.head_loss_psi_at_smoc
        )


def test_every_type_has_its_words(shipped: Catalogue) -> None:
    types = {m.meter_type for m in (*shipped.meters, *shipped.unrated)}
    assert types <= set(PRINCIPLES)
