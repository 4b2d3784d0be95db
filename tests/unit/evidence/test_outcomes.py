"""What pages say of change-outs: words, ranges, the picture, and what is left unsaid."""

from __future__ import annotations

import datetime as dt
import re

import pytest

from rightsize.contracts.realised_gain import NO_GAIN_CODES
from rightsize.evidence.outcomes.fleet_outcomes import (
    ChangeOuts,
    calibration_lines,
    outcome_context,
)
from rightsize.evidence.outcomes.promise_picture import promise_svg
from rightsize.evidence.outcomes.site_outcome import LINES_SHOWN, outcome_lines
from rightsize.evidence.quantity import Units
from rightsize.verify.calibration import Calibration

US = Units("us")


def result(**changes):
    """A change-out that brought 5 % of the 10 % that was promised."""
    return {
        "account_id": "A-1",
        "customer_name": "Weirside",
        "area": None,
        "customer_class": "apartments",
        "removed_meter_id": "OLD",
        "meter_id": "NEW",
        "changed_on": dt.date(2025, 6, 12),
        "kind": "type_and_size",
        "removed_type": "turbine",
        "removed_size_in": 3.0,
        "installed_type": "displacement",
        "installed_size_in": 1.0,
        "standing": "judged",
        "came": "gain",
        "against_promise": "short",
        "code": None,
        "promised_sweep_id": "s",
        "promised_gain_gal_per_year": 100_000.0,
        "promised_gain_low_gal_per_year": 40_000.0,
        "promised_gain_high_gal_per_year": 160_000.0,
        "promised_gain_pct": 10.0,
        "promised_gain_low_pct": 4.0,
        "promised_gain_high_pct": 16.0,
        "realised_gain_gal_per_year": 50_000.0,
        "realised_gain_low_gal_per_year": 30_000.0,
        "realised_gain_high_gal_per_year": 70_000.0,
        "realised_gain_pct": 5.0,
        "realised_gain_low_pct": 3.0,
        "realised_gain_high_pct": 7.0,
        "realised_to_date_gal": 25_000.0,
        "realised_to_date_low_gal": 15_000.0,
        "realised_to_date_high_gal": 35_000.0,
        "realised_to_date_usd": 125.0,
        "realised_to_date_low_usd": 75.0,
        "realised_to_date_high_usd": 175.0,
        "days_before": 181.0,
        "days_after": 183.0,
        "matched_accounts": 20,
        **changes,
    }


def untold(code, standing):
    blank = dict.fromkeys(n for n in result() if n.startswith("realised") or n.endswith("pct"))
    return result(**blank, code=code, standing=standing, came=None, against_promise=None)


class TestSitePage:
    def test_a_sentence_has_promise_range_and_verdict(self):
        ((day, said),) = outcome_lines((result(),), US)
        plain = said.replace("\u202f", " ")
        assert day == "2025-06-12"
        assert plain == (
            "3 in turbine to 1 in displacement. Promised before: +10.0 %, 100,000 gal per year."
            " Came: +5.0 % of the use before (90 % range +3.0 % to +7.0 %), 50,000 gal per"
            " year: gain, short of the promise. To date $125."
        )

    @pytest.mark.parametrize("code", NO_GAIN_CODES)
    def test_a_change_out_without_a_gain_says_why(self, code):
        ((_, said),) = outcome_lines((untold(code, "refused"),), US)
        assert said.endswith(f"No gain can be told: {NO_GAIN_CODES[code]}.")
        assert "Came" not in said

    def test_only_the_newest_are_told(self):
        many = tuple(result(changed_on=dt.date(2020 + k, 1, 1)) for k in range(9))
        days = [day for day, _ in outcome_lines(many, US)]
        assert days == [f"{2029 - LINES_SHOWN + k}-01-01" for k in range(LINES_SHOWN)]

    def test_a_swap_for_the_same_is_called_so(self):
        row = result(installed_type="turbine", installed_size_in=3.0, promised_sweep_id=None)
        ((_, said),) = outcome_lines((row,), US)
        assert said.startswith("3\u202fin turbine, like for like.")
        assert "Promised" not in said


class TestFleetPage:
    def test_each_standing_has_its_own_table(self):
        held = ChangeOuts(
            (
                result(),
                untold("too_few_periods_after", "too_young"),
                untold("vacancy", "set_aside"),
                untold("outside_data", "refused"),
            )
        )
        shown = outcome_context(held, US)
        assert shown["counts"] == {
            "judged": 1, "too_young": 1, "set_aside": 1, "refused": 1
        }  # fmt: skip
        assert shown["set_aside"][0]["why"] == NO_GAIN_CODES["vacancy"]
        assert shown["refusals"] == [(NO_GAIN_CODES["outside_data"], 1)]
        assert shown["judged"][0]["is_short"]

    def test_no_change_out_shows_no_figure(self):
        shown = outcome_context(ChangeOuts(), US)
        assert shown["total"] is None
        assert shown["picture"] == ""
        assert shown["calibration"] == []

    def test_lasting_steady_flow_is_told_where_change_outs_are_that_old(self):
        rows = (
            {"months_after": 3, "case_count": 8, "new_gpm": 1.925, "left_share": 0.77,
             "left_low_share": 0.24, "left_high_share": 0.99},
            {"months_after": 12, "case_count": 0, "new_gpm": 0.0, "left_share": None,
             "left_low_share": None, "left_high_share": None},
        )  # fmt: skip
        (told,) = outcome_context(ChangeOuts(persistence=rows), US)["steady"]
        plain = {k: str(v).replace("\u202f", " ") for k, v in told.items()}
        assert plain == {
            "months": "3", "count": "8", "flow": "1.93 gpm", "left": "77 %",
            "range": "24 % to 99 %",
        }  # fmt: skip

    def test_significance_is_said_and_nothing_is_said_without_it(self):
        def found(bias, probability):
            return Calibration(
                12, bias, bias - 0.02, bias + 0.02, probability, 0.5, 0.2, 0.8, 0.0, 0.01,
                0.8, 0.6, 0.9, 0.0,
            )  # fmt: skip

        short = calibration_lines(ChangeOuts(calibration=found(-0.09, 0.0004)))
        assert short[0] == "Less came than was promised, beyond chance."
        assert "\u22129.0 points of use" in short[1]
        assert "below 0.001" in short[1]
        even = calibration_lines(ChangeOuts(calibration=found(-0.01, 0.4)))
        assert even[0].startswith("No difference from the promises")
        more = calibration_lines(ChangeOuts(calibration=found(0.05, 0.01)))
        assert more[0] == "More came than was promised, beyond chance."


class TestPicture:
    def test_a_point_stands_where_its_numbers_say(self):
        """LAW: at equal promised and realized shares the point is on the line of both alike."""
        rows = [
            result(realised_gain_pct=10.0, realised_gain_low_pct=8.0,
                   realised_gain_high_pct=12.0, against_promise="held"),
            result(),
        ]  # fmt: skip
        svg = promise_svg(rows, label="what came")
        places = re.findall(
            r'transform="translate\(([\d.]+),([\d.]+)\)" d="[^"]+" fill="var', svg
        )
        assert len(places) == 2
        assert 'aria-label="what came"' in svg
        (x_held, y_held), (x_short, y_short) = ((float(x), float(y)) for x, y in places)
        assert x_held == pytest.approx(x_short)  # both were promised 10 %
        assert y_short > y_held  # less came: lower on the page

    def test_ranges_end_inside_the_picture(self):
        """A promise of 16 times the plot's range is cut, not drawn over the page."""
        svg = promise_svg([result(promised_gain_high_pct=900.0)], label="cut")
        ends = [float(x) for x in re.findall(r'x2="(-?[\d.]+)"', svg)]
        assert max(ends, default=0.0) <= 404

    def test_a_promise_without_a_share_is_left_out(self):
        """A range without width does not tell the use that a share needs."""
        flat = result(
            promised_gain_pct=None, promised_gain_low_pct=None, promised_gain_high_pct=None
        )
        assert promise_svg([flat, result()], label="x") == promise_svg([result()], label="x")
        shown = outcome_context(ChangeOuts((flat,)), US)
        assert shown["judged"][0]["promised"] == ""
