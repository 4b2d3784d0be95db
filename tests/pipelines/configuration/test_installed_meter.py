"""A meter is judged by its own entry of the catalogue, or not at all."""

from __future__ import annotations

import polars as pl
import pytest

from pipelines.configuration.judged_by import with_meter_index
from pipelines.configuration.load_catalogue import load_catalogue
from rightsize.demand.sufficiency import not_assessed_reason
from rightsize.meters.catalogue import Catalogue, Meter

READS = {
    "days_covered": 365.0,
    "read_count": 8760.0,
    "estimated_count": 0.0,
    "reads_used": 8760.0,
    "zero_count": 0.0,
    "registered_gal": 1e6,
    "resolution_gal": 1.0,
}


@pytest.fixture(scope="module")
def shipped() -> Catalogue:
    return load_catalogue()


def placed(
    catalogue: Catalogue, meter_type: str, size_in: float, grade: str | None, kind: str
) -> dict:
    service = pl.DataFrame(
        {
            "meter_id": ["M"],
            "meter_type": [meter_type],
            "size_in": [size_in],
            "grade": pl.Series([grade], dtype=pl.String),
            "service_kind": [kind],
        }
    )
    stat = with_meter_index(service, catalogue, units="us").with_columns(
        pl.lit(v).alias(k) for k, v in READS.items()
    )
    return not_assessed_reason(
        stat,
        min_days_covered=90,
        max_estimated_share=0.4,
        max_zero_share=0.999,
        min_reads_per_step=0.2,
        units="us",
    ).to_dicts()[0]


def judged_by(
    catalogue: Catalogue, meter_type: str, size_in: float, grade: str | None
) -> Meter | None:
    row = placed(catalogue, meter_type, size_in, grade, "domestic")
    at = row["meter_index"]
    assert (at is None) == (row["not_assessed_code"] is not None)
    return None if at is None else catalogue.meters[at]


def refusal(
    catalogue: Catalogue,
    meter_type: str,
    size_in: float,
    grade: str | None = None,
    kind: str = "domestic",
) -> tuple[str, str]:
    row = placed(catalogue, meter_type, size_in, grade, kind)
    return row["not_assessed_code"], row["not_assessed_message"]


@pytest.mark.parametrize("grade", [None, "", "standard"])
def test_a_turbine_without_a_grade_is_judged_as_the_standard_one(
    shipped: Catalogue, grade: str | None
) -> None:
    meter = judged_by(shipped, "turbine", 2.0, grade)
    assert meter is not None
    assert (meter.label, meter.standard) == ("2 in turbine", "AWWA C701 class II")


def test_a_named_grade_is_judged_by_its_own_curve(shipped: Catalogue) -> None:
    plain = judged_by(shipped, "turbine", 2.0, None)
    fine = judged_by(shipped, "turbine", 2.0, "r100")
    assert plain is not None
    assert fine is not None
    assert fine.grade == "r100"
    assert fine.normal_min_gpm < plain.normal_min_gpm


def test_a_class_1_turbine_is_never_judged_as_class_2(shipped: Catalogue) -> None:
    assert judged_by(shipped, "turbine", 2.0, "class_1") is None
    code, message = refusal(shipped, "turbine", 2.0, "class_1")
    assert code == "meter_not_rated"
    assert message.startswith("2 in turbine (class 1) is known but not rated: its ratings in")
    assert "in your catalog" in message


def test_a_class_1_turbine_with_its_own_entry_is_judged(shipped: Catalogue) -> None:
    [plain] = [m for m in shipped.meters if m.label == "2 in turbine"]
    own = Catalogue((Meter(**{**vars(plain), "grade": "class_1", "smoc_gpm": 140.0}),))
    meter = judged_by(own, "turbine", 2.0, "class_1")
    assert meter is not None
    assert meter.smoc_gpm == 140


def test_an_unknown_grade_is_named_with_those_held(shipped: Catalogue) -> None:
    code, message = refusal(shipped, "turbine", 2.0, "class_9")
    assert code == "meter_not_in_catalogue"
    assert "grade 'class_9' of the 2 in turbine is not in the catalog" in message
    assert "grades: class_1, r100, standard" in message


def test_an_unknown_size_is_named_with_those_held(shipped: Catalogue) -> None:
    code, message = refusal(shipped, "displacement", 1.1)
    assert code == "meter_not_in_catalogue"
    assert "1.1 in displacement is not in the catalog; displacement sizes: 0.625" in message


def test_a_size_without_shipped_ratings_is_not_rated(shipped: Catalogue) -> None:
    assert refusal(shipped, "propeller", 3.0)[0] == "meter_not_rated"
    assert refusal(shipped, "turbine", 20.0)[0] == "meter_not_rated"


@pytest.mark.parametrize("size_in", [4.0, 7.0])
@pytest.mark.parametrize("kind", ["domestic", "irrigation"])
def test_a_fire_meter_on_another_service_is_referred(
    shipped: Catalogue, kind: str, size_in: float
) -> None:
    code, message = refusal(shipped, "fire_service", size_in, kind=kind)
    assert code == "fire_service"
    assert message.startswith(f"fire-service meter on a {kind} service: never resized")


def test_a_fire_line_with_another_meter_is_referred_too(shipped: Catalogue) -> None:
    code, message = refusal(shipped, "turbine", 4.0, kind="combined")
    assert code == "fire_service"
    assert message.startswith("combined service: never resized")


def test_every_meter_keeps_its_place_in_the_list(shipped: Catalogue) -> None:
    service = pl.DataFrame(
        {
            "meter_id": ["c", "a", "b"],
            "meter_type": ["turbine", "compound", "turbine"],
            "size_in": [2.0, 2.0, 2.0],
            "grade": ["class_1", None, None],
        }
    )
    found = with_meter_index(service, shipped, units="us")
    assert found["meter_id"].to_list() == ["c", "a", "b"]
    assert found["meter_status"].to_list() == ["unrated", "rated", "rated"]
