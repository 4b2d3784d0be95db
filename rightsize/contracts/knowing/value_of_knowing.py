"""Value of knowing: what each kind of learning is worth at each meter."""

from __future__ import annotations

from typing import Final

from rightsize.contracts.columns import ACCOUNT, METER, SWEEP_ID
from rightsize.contracts.table import Column, Rule, Table, number, text
from rightsize.knowing.kinds import KINDS

DECIDES: Final = ("keep", "smaller_meter", "larger_meter", "other_type")
"""What a kind of learning would most often lead to, instead of the present decision."""

_KEPT: Final = "it would most often keep the installed meter"

VALUE_OF_KNOWING: Final = Table(
    name="value_of_knowing",
    meaning="What a log, a test or finer reads are worth at each meter, by the decision that"
    " they may change. A kind of learning without a row changes no decision.",
    grain="one row per sweep, meter and kind of learning that may change its decision",
    key=("sweep_id", "account_id", "meter_id", "kind"),
    columns=(
        SWEEP_ID,
        ACCOUNT,
        METER,
        text(
            "kind",
            "night_logging: two nights by a clamp-on meter; flow_logging: two weeks of flow at"
            " 10 s or 1 min; accuracy_test: in the field or on the bench; finer_interval:"
            " reads at a finer interval; peak_register: the register's own peak flow",
            allowed=KINDS,
        ),
        number(
            "expected_gain_usd",
            "expected gain of the better decision over the new meter's life, present value;"
            " negative where the rules, which ask for proof, would let a gain go",
        ),
        number("cost_usd", "cost of learning it", low=0),
        number("net_usd", "expected gain less cost"),
        number(
            "odds_of_other_choice",
            "probability that the decision is then another one",
            low=0,
            high=1,
        ),
        Column("is_best", "boolean", "the kind of highest net_usd at the meter"),
        text("decides", "what it would most often lead to instead", allowed=DECIDES),
        text("decides_type", "meter it would lead to", null="allowed", null_means=_KEPT),
        number(
            "decides_size_in",
            "nominal size of that meter",
            null="allowed",
            null_means=_KEPT,
            low=0,
        ),
        text("decides_grade", "grade of that meter", null="allowed", null_means=_KEPT),
    ),
    rules=(
        Rule(
            "net_is_gain_less_cost",
            "abs( expected_gain_usd - cost_usd - net_usd )"
            " <= 0.01 + 0.000001 * abs( expected_gain_usd )",
        ),
    ),
    is_detail=True,
)
