"""A utility's catalogue file: what is filled in, what is refused, and in which words."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import yaml

from pipelines.configuration.load_catalogue import catalogue_yaml, load_catalogue
from rightsize.errors import CatalogueError, ConfigError
from rightsize.meters.catalogue import Catalogue
from rightsize.units import GPM_PER_M3H, PSI_PER_BAR

MONEY = {"price_usd": 100, "install_usd": 50, "upkeep_usd_per_year": 5, "life_years": 15}
FULL = {
    "meter_type": "displacement",
    "size_in": 1,
    "starting_gpm": 0.2,
    "min_test_gpm": 0.75,
    "normal_min_gpm": 3,
    "continuous_gpm": 25,
    "smoc_gpm": 50,
    "registration": [[0.2, 0.5], [0.75, 0.96], [3, 1.0]],
    "head_loss_psi_at_smoc": 15,
    "source": "certificate 17",
    **MONEY,
}


def write(folder: Path, *entries: dict) -> Path:
    path = folder / "catalogue.yaml"
    path.write_text(yaml.safe_dump(list(entries)), encoding="utf-8")
    return path


def refusal(folder: Path, *entries: dict) -> str:
    with pytest.raises(CatalogueError, match=r"catalogue\.yaml: entry") as caught:
        load_catalogue(write(folder, *entries))
    return str(caught.value)


def test_the_shipped_catalogue_loads_and_every_entry_says_where_it_comes_from(
    shipped: Catalogue,
) -> None:
    assert len(shipped.meters) >= 35
    assert all(m.source and m.standard for m in shipped.meters)
    assert {m.confidence for m in shipped.meters} <= {"READ", "READ+", "MEM-H", "MEM-M", "none"}


def test_nothing_from_low_trust_memory_is_a_meter(shipped: Catalogue) -> None:
    assert all(m.confidence != "MEM-L" for m in shipped.meters)
    assert {u.meter_type for u in shipped.unrated} >= {"fire_service", "propeller"}


def test_an_entry_in_full_is_taken_as_written(tmp_path: Path) -> None:
    meter = load_catalogue(write(tmp_path, FULL)).find("displacement", 1)
    assert meter.registration == ((0.2, 0.5), (0.75, 0.96), (3.0, 1.0))
    assert (meter.starting_gpm, meter.smoc_gpm, meter.price_usd) == (0.2, 50, 100)
    assert "certificate 17" in meter.source


def test_an_entry_of_type_size_and_money_takes_the_standard(tmp_path: Path) -> None:
    path = write(tmp_path, {"meter_type": "displacement", "size_in": 2, **MONEY})
    meter = load_catalogue(path).find("displacement", 2)
    assert (meter.min_test_gpm, meter.continuous_gpm, meter.smoc_gpm) == (2, 80, 160)


def test_an_entry_may_replace_one_rating_of_the_standard(tmp_path: Path) -> None:
    path = write(
        tmp_path, {"meter_type": "displacement", "size_in": 2, "smoc_gpm": 170, **MONEY}
    )
    assert load_catalogue(path).find("displacement", 2).smoc_gpm == 170


def test_metric_keys_and_us_keys_give_the_same_meter(tmp_path: Path) -> None:
    metric = {
        "meter_type": "displacement",
        "size_mm": 25,
        "source": "certificate 17",
        **MONEY,
        **{
            f"{k}_m3h": FULL[f"{k}_gpm"] / GPM_PER_M3H
            for k in ("starting", "min_test", "normal_min", "continuous", "smoc")
        },
        "registration_m3h": [[q / GPM_PER_M3H, a] for q, a in FULL["registration"]],
        "head_loss_bar_at_smoc": 15 / PSI_PER_BAR,
    }
    ours = load_catalogue(write(tmp_path, FULL)).meters[0]
    theirs = load_catalogue(write(tmp_path, metric)).meters[0]
    for name in (
        "size_in",
        "starting_gpm",
        "min_test_gpm",
        "smoc_gpm",
        "head_loss_psi_at_smoc",
    ):
        assert getattr(theirs, name) == pytest.approx(getattr(ours, name), rel=1e-12), name
    np.testing.assert_allclose(theirs.registration, ours.registration, rtol=1e-12)


def test_a_value_in_both_units_is_refused(tmp_path: Path) -> None:
    assert "not both" in refusal(tmp_path, {**FULL, "smoc_m3h": 11})


def test_a_user_may_rate_what_is_shipped_unrated(tmp_path: Path) -> None:
    entry = {**FULL, "meter_type": "propeller", "size_in": 6, "smoc_gpm": 1200}
    catalogue = load_catalogue(write(tmp_path, entry))
    assert catalogue.status("propeller", 6) == "rated"
    assert catalogue.status("propeller", 8) == "unrated"


def test_an_unrated_meter_without_numbers_says_what_to_fill_in(tmp_path: Path) -> None:
    text = refusal(tmp_path, {"meter_type": "propeller", "size_in": 6, **MONEY})
    assert "smoc_gpm" in text
    assert "certificate" in text


def test_fire_service_is_known_but_never_a_meter(tmp_path: Path) -> None:
    catalogue = load_catalogue(
        write(tmp_path, FULL, {**FULL, "meter_type": "fire_service", "size_in": 14})
    )
    assert all(m.meter_type != "fire_service" for m in catalogue.meters)
    assert catalogue.status("fire_service", 14) == "unrated"
    assert catalogue.status("fire_service", 4) == "unrated"
    with pytest.raises(CatalogueError, match="authority having jurisdiction"):
        catalogue.find("fire_service", 4)


def test_find_takes_the_standard_grade_first(shipped: Catalogue) -> None:
    assert shipped.find("compound", 2).grade == "standard"
    assert shipped.find("turbine", 2).grade == "standard"
    assert shipped.find("turbine", 2, grade="r100").standard == "OIML R 49 / ISO 4064"
    assert shipped.status("turbine", 2) == "rated"
    assert shipped.status("turbine", 2, grade="class_1") == "unrated"
    assert shipped.status("turbine", 5) == "unknown"


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"starting_gpm": 0.8}, "starting_gpm: must be at most min_test_gpm (0.75); got 0.8"),
        ({"min_test_gpm": 3}, "min_test_gpm: must be below normal_min_gpm (3); got 3"),
        ({"normal_min_gpm": 30}, "normal_min_gpm: must be below continuous_gpm (25); got 30"),
        ({"continuous_gpm": 51}, "continuous_gpm: must be at most smoc_gpm (50); got 51"),
        ({"registration": [[1, 0.9], [0.5, 1.0]]}, "from point to point; got 1 then 0.5"),
        ({"registration": [[1, 0.9], [1, 1.0]]}, "increase from point to point; got 1 then 1"),
        ({"registration": [[0, 0.9], [1, 1.0]]}, "flows must be above 0; got 0"),
        ({"registration": [[1, 1.2]]}, "ratio at 1 gpm must be from 0 to 1.1; got 1.2"),
        ({"registration": []}, "registration"),
        ({"size_in": 1.1}, "displacement meters are made in 0.5, 0.625, 0.75, 1, 1.5, 2 in"),
        ({"smoc_gpm": "fast"}, "smoc_gpm: "),
        ({"smoc_gpm": float("nan")}, "smoc_gpm: "),
        ({"price_usd": -1}, "price_usd: "),
        ({"price_usd": True}, "price_usd: must not be true or false; got True"),
        ({"size_mm": 25}, "give size_mm or size_in, not both"),
        ({"registration_m3h": 5, "registration": None}, "registration_m3h"),
        ({"color": "blue"}, "color: unknown key"),
        ({"meter_type": "venturi"}, "meter_type: "),
        ({"q3_m3h": 4}, "q3_m3h and r must both be given"),
        ({"q3_m3h": 4, "r": 160, "accuracy_class": 3}, "accuracy_class"),
        ({"grade": "Very Good"}, "grade: "),
    ],
)  # fmt: skip
def test_a_wrong_entry_is_refused_by_name(tmp_path: Path, change: dict, words: str) -> None:
    text = refusal(tmp_path, {**FULL, **change})
    assert words in text
    assert text.startswith(str(tmp_path / "catalogue.yaml") + ": entry 1 (")


def test_malformed_metric_points_are_refused(tmp_path: Path) -> None:
    entry = {k: v for k, v in FULL.items() if k != "registration"}
    for points in (5, [5], [[1, 2, 3]], [["a", 1.0]]):
        assert "registration_m3h: must be" in refusal(
            tmp_path, {**entry, "registration_m3h": points}
        )


def test_a_loss_class_that_r49_does_not_have_is_noted(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    entry = {"meter_type": "ultrasonic", "size_in": 1, "q3_m3h": 10, "r": 260, **MONEY}
    meter = load_catalogue(write(tmp_path, {**entry, "pressure_loss_bar": 0.3})).meters[0]
    assert len(meter.notes) == 2
    assert "R 260 is not in the R10 series" in caplog.text
    assert "entry 1 (1 in ultrasonic): pressure_loss_bar 0.3" in caplog.text


def test_money_is_never_made_up(tmp_path: Path) -> None:
    entry = {k: v for k, v in FULL.items() if k != "price_usd"}
    assert "price_usd" in refusal(tmp_path, entry)


def test_every_problem_is_told_at_once(tmp_path: Path) -> None:
    text = refusal(tmp_path, {**FULL, "smoc_gpm": 20}, {**FULL, "size_in": 7})
    assert "entry 1" in text
    assert "entry 2" in text


def test_a_size_that_the_trade_does_not_make_needs_a_word(tmp_path: Path) -> None:
    entry = {**FULL, "size_in": 1.1}
    assert "size_override: true" in refusal(tmp_path, entry)
    assert load_catalogue(write(tmp_path, {**entry, "size_override": True})).meters


def test_an_old_displacement_meter_of_3_in_can_be_held(tmp_path: Path) -> None:
    entry = {"meter_type": "displacement", "size_in": 3, "size_override": True, **MONEY}
    meter = load_catalogue(write(tmp_path, entry)).find("displacement", 3)
    assert (meter.min_test_gpm, meter.smoc_gpm) == (4, 300)


def test_the_source_says_which_numbers_are_the_entrys_own(tmp_path: Path) -> None:
    entry = {"meter_type": "displacement", "size_in": 1, "smoc_gpm": 55, **MONEY}
    some = load_catalogue(write(tmp_path, entry)).meters[0]
    assert "smoc_gpm: the entry's own; ratings: AWWA C700" in some.source
    assert some.confidence == "READ"
    whole = load_catalogue(write(tmp_path, FULL)).meters[0]
    assert whole.source.startswith(
        "certificate 17; ratings: the entry's own; limits: AWWA C700"
    )
    assert whole.confidence == "utility"


def test_shipped_meters_are_lead_free_and_others_must_say_so(
    tmp_path: Path, shipped: Catalogue
) -> None:
    assert all(m.is_lead_free for m in shipped.meters)
    assert not load_catalogue(write(tmp_path, FULL)).meters[0].is_lead_free


def test_a_larger_size_that_carries_less_is_refused(tmp_path: Path) -> None:
    larger = {**FULL, "size_in": 2, "smoc_gpm": 40}
    text = refusal(tmp_path, FULL, larger)
    assert "entry 2 (2 in displacement): smoc_gpm: must be at least 50, as for 1 in" in text


def test_one_meter_twice_is_refused_and_two_grades_are_not(tmp_path: Path) -> None:
    assert "size_in: duplicate 1 in displacement" in refusal(tmp_path, FULL, FULL)
    assert len(load_catalogue(write(tmp_path, FULL, {**FULL, "grade": "other"})).meters) == 2


@pytest.mark.parametrize("text", ["", "{a: 1}", "[]", "17"])
def test_a_file_that_is_no_list_is_refused(tmp_path: Path, text: str) -> None:
    path = tmp_path / "catalogue.yaml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(CatalogueError, match="expected a list of meters"):
        load_catalogue(path)


def test_an_entry_that_is_no_mapping_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "catalogue.yaml"
    path.write_text("- 17\n", encoding="utf-8")
    with pytest.raises(CatalogueError, match="entry 1"):
        load_catalogue(path)


def test_a_missing_file_is_one_clear_line(tmp_path: Path) -> None:
    with pytest.raises(ConfigError, match="no such file"):
        load_catalogue(tmp_path / "none.yaml")


def test_the_catalogue_written_out_loads_to_the_same_curves(
    tmp_path: Path, shipped: Catalogue
) -> None:
    path = tmp_path / "catalogue.yaml"
    path.write_text(catalogue_yaml(shipped), encoding="utf-8")
    again = load_catalogue(path)
    assert [m.label for m in again.meters] == [m.label for m in shipped.meters]
    for ours, theirs in zip(shipped.meters, again.meters, strict=True):
        assert theirs.registration == ours.registration
        assert theirs.smoc_gpm == ours.smoc_gpm
