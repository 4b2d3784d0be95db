"""Configurations that no one can mean: each refused in a line, or swept; no traceback."""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path

import pytest
import yaml

from tests.faults.told import refused, settings, small_utility, told

DEEP = "[" * 5000 + "]" * 5000
DEEP_KEYS = "".join(f"{' ' * n}k:\n" for n in range(1500))
LONG = "x" * 300
LAUGHS = "a: &a [x,x,x,x,x,x,x,x,x,x]\n" + "".join(
    f"{c}: &{c} [{','.join(['*' + p] * 10)}]\n"
    for p, c in zip("abcdefg", "bcdefgh", strict=True)
)
PATH_TOO_LONG = "/".join(["d" * 200] * 30)
HUGE = "9" * 400
HUGER = "9" * 5000  # past the number of digits that Python turns into an integer


@dataclass(frozen=True)
class Case:
    """One file of the configuration with other text, and what must be said of it."""

    name: str
    text: str  # of the whole file
    says: str = ""
    file: str = "sweep.yaml"


def sweep(name: str, says: str = "", /, **changes: object) -> Case:
    return Case(name, yaml.safe_dump({**settings(), **changes}), says)


def export(name: str, says: str = "", /, **changes: object) -> Case:
    one = {"name": "main", "path": "exports/*", **changes}
    return sweep(name, says, exports=[one])


def raw(name: str, line: str, says: str = "") -> Case:
    """A line that replaces its key, written as it stands."""
    key = line.partition(":")[0]
    kept = {k: v for k, v in settings().items() if k != key}
    return Case(name, yaml.safe_dump(kept) + line + "\n", says)


def tariff(name: str, text: str, says: str = "tariff.yaml") -> Case:
    return Case(name, text, says, "tariff.yaml")


RATES = "classes: {default: {tiers: [{usd_per_kgal: %s}]}}\n"
YAML = [
    Case("deep-list", DEEP, "sweep.yaml"),
    Case("deep-keys", DEEP_KEYS, "sweep.yaml"),
    Case("deep-list-in-tariff", DEEP, "tariff.yaml", "tariff.yaml"),
    raw("deep-value", f"utility: {DEEP}", "sweep.yaml"),
    raw("list-as-key", "? [a, b]\n: 1", "sweep.yaml"),
    raw("mapping-as-key", "? {a: b}\n: 1", "sweep.yaml"),
    raw("number-as-key", "5: 1", "sweep.yaml"),
    raw("none-as-key", "~: 1", "sweep.yaml"),
    raw("date-as-key", "2025-01-01: 1", "sweep.yaml"),
    raw("nan-as-key", ".nan: 1", "sweep.yaml"),
    raw("bad-date", "utility: 2025-02-30", "sweep.yaml"),
    raw("bad-time", "utility: 2025-01-01 99:99:99", "sweep.yaml"),
    raw("date-of-year-zero", "utility: 0000-01-01", "sweep.yaml"),
    raw("python-tag", "utility: !!python/object/apply:os.system [true]", "sweep.yaml"),
    raw("unknown-tag", "utility: !what 5", "sweep.yaml"),
    raw("int-tag-on-words", "buckets: !!int many", "sweep.yaml"),
    raw("float-tag-on-words", "buckets: !!float many", "sweep.yaml"),
    raw("bool-tag-on-words", "buckets: !!bool many", "sweep.yaml"),
    raw("time-tag-on-words", "utility: !!timestamp noon", "sweep.yaml"),
    raw("binary-tag-on-words", "utility: !!binary '*'", "sweep.yaml"),
    raw("set-tag", "utility: !!set {a, b}", "sweep.yaml"),
    raw("omap-tag", "utility: !!omap {a: b}", "sweep.yaml"),
    raw("map-tag-on-list", "utility: !!map [a]", "sweep.yaml"),
    raw("seq-tag-on-map", "utility: !!seq {a: b}", "sweep.yaml"),
    raw("str-tag-on-list", "utility: !!str [a]", "sweep.yaml"),
    raw("merge-of-a-word", "<<: word", "sweep.yaml"),
    raw("alias-to-itself", "utility: &a [*a]", "sweep.yaml"),
    raw("exports-in-themselves", "exports: &a [*a]", "sweep.yaml"),
    raw("mapping-in-itself", "class_codes: &a {x: *a}", "sweep.yaml"),
    raw("unknown-alias", "utility: *none", "sweep.yaml"),
    raw("odd-escape", 'utility: "\\ud800"', "sweep.yaml"),
    raw("base-60", "buckets: 190:20:30", "sweep.yaml"),
    raw("underscore-hex", "buckets: 0x_", "sweep.yaml"),
    raw("binary-without-digits", "buckets: 0b_", "sweep.yaml"),
    raw("octal-of-nine", "buckets: 0o9", "sweep.yaml"),
    raw("only-underscores", "buckets: +_", "sweep.yaml"),
    raw("equals-sign", "utility: =", "sweep.yaml"),
    raw("huge-integer", f"buckets: {HUGE}", "sweep.yaml"),
    raw("huger-integer", f"buckets: {HUGER}", "sweep.yaml"),
    raw("huge-hex", f"buckets: 0x{'f' * 5000}", "sweep.yaml"),
    raw("huge-interval", f"keep_months: {HUGE}"),
    raw("not-a-number", "buckets: .nan", "sweep.yaml"),
    raw("infinite", "keep_sweeps: .inf", "sweep.yaml"),
    Case("two-documents", "utility: a\n---\nutility: b\n", "sweep.yaml"),
    Case("empty", "", "sweep.yaml"),
    Case("nul", "utility: a\0b\n", "sweep.yaml"),
    Case("only-a-tag", "!", "sweep.yaml"),
    Case("directive", "%YAML 9.9\n---\nutility: a\n", "sweep.yaml"),
    Case("billion-laughs", LAUGHS, "sweep.yaml"),
]  # fmt: skip
NAMES = [
    sweep("posixrules", "posixrules", timezone="posixrules"),
    sweep("zone-with-nul", "U+0000", timezone="a\0b"),
    sweep("zone-above", "unknown time zone", timezone="../../etc/passwd"),
    sweep("zone-absolute", "unknown time zone", timezone="/etc/localtime"),
    sweep("zone-is-a-folder", "unknown time zone", timezone="America"),
    sweep("zone-is-empty", "unknown time zone", timezone=""),
    sweep("zone-is-a-table", "unknown time zone", timezone="tzdata.zi"),
    sweep("zone-too-long", "unknown time zone", timezone=PATH_TOO_LONG),
    sweep("zone-not-ascii", "unknown time zone", timezone="America/D\u00e9nver"),
    sweep("zone-localtime", "localtime", timezone="localtime"),
    sweep("zone-factory", "Factory", timezone="Factory"),
    export("export-zone-posixrules", "posixrules", timezone="posixrules"),
    sweep("workspace-nul", "U+0000", workspace="a\0b"),
    sweep("workspace-too-long", "too long", workspace=PATH_TOO_LONG),
    sweep("workspace-name-too-long", "too long", workspace=LONG),
    sweep("workspace-is-a-file", "meters.csv", workspace="meters.csv"),
    sweep("workspace-below-a-file", "meters.csv", workspace="meters.csv/inner"),
    sweep("workspace-on-a-device", "/dev/null", workspace="/dev/null"),
    sweep("workspace-below-a-device", "/dev/null", workspace="/dev/null/inner"),
    sweep("workspace-in-proc", "/proc", workspace="/proc/1/inner"),
    sweep("workspace-is-empty", "", workspace=""),
    sweep("meters-nul", "U+0000", meters="a\0b"),
    sweep("meters-too-long", "too long", meters=PATH_TOO_LONG),
    sweep("meters-is-a-folder", "exports", meters="exports"),
    sweep("meters-is-a-device", "/dev/null", meters="/dev/null"),
    sweep("meters-is-endless", "/dev/zero", meters="/dev/zero"),
    sweep("tariff-nul", "U+0000", tariff="a\0b"),
    sweep("tariff-too-long", "too long", tariff=PATH_TOO_LONG),
    sweep("tariff-is-a-folder", "exports", tariff="exports"),
    sweep("tariff-is-endless", "/dev/zero", tariff="/dev/zero"),
    sweep("tariff-below-a-file", "meters.csv", tariff="meters.csv/tariff.yaml"),
    sweep("thresholds-nul", "U+0000", thresholds="a\0b"),
    sweep("catalogue-nul", "U+0000", catalogue="a\0b"),
    sweep("catalogue-is-a-folder", "exports", catalogue="exports"),
    sweep("priors-nul", "U+0000", priors="a\0b"),
    sweep("priors-too-long", "too long", priors=PATH_TOO_LONG),
    sweep("accuracy-tests-nul", "U+0000", accuracy_tests="a\0b"),
    sweep("accuracy-tests-folder", "exports", accuracy_tests="exports"),
    sweep("weather-nul", "U+0000", weather="a\0b"),
    sweep("weather-folder", "exports", weather="exports"),
    sweep("weather-is-endless", "/dev/zero", weather="/dev/zero"),
    sweep("weather-is-the-meter-list", "month or date", weather="meters.csv"),
    sweep("log-nul", "U+0000", change_out_log={"path": "a\0b"}),
    sweep("log-folder", "exports", change_out_log={"path": "exports"}),
    sweep("log-is-endless", "/dev/zero", change_out_log={"path": "/dev/zero"}),
    sweep("log-is-the-meter-list", "done_on", change_out_log={"path": "meters.csv"}),
    sweep("log-without-path", "path", change_out_log={}),
    sweep("log-code-of-none", "what_codes", change_out_log={
        "path": "meters.csv", "what_codes": {"X": "swap"}}),
    sweep("log-date-format", "done_on", change_out_log={
        "path": "meters.csv", "date_format": "%Q"}),
    export("export-nul", "U+0000", path="a\0b"),
    export("export-too-long", "too long", path=PATH_TOO_LONG),
    export("export-name-too-long", "too long", path=f"{LONG}/*.csv"),
    export("export-is-empty", "main", path=""),
    export("export-into-proc", "", path="/proc/self/fd*/*"),
    export("export-all-of-proc", "", path="/proc/[0-9]*/task/*/mem"),
    export("export-is-a-device", "/dev/zero", path="/dev/zero"),
    export("export-unknown-scheme", "nosuch://", path="nosuch://a/*.csv"),
    export("export-scheme-without-package", "gcs://", path="gcs://bucket/*.csv"),
    export("export-reference-scheme", "reference", path="reference://a/*.csv"),
    export("export-scheme-of-chain", "simplecache", path="simplecache::s3://a/*.csv"),
    export("export-http", "http", path="http://127.0.0.1:9/a.csv"),
    sweep("lake-unknown-scheme", "nosuch://", lake="nosuch://a/b"),
    sweep("lake-without-package", "gcs://", lake="gcs://a/b"),
    sweep("copy-unknown-scheme", "nosuch://", copy_results_to="nosuch://a/b"),
    sweep("lake-nul", "U+0000", lake="s3://a\0b"),
    export("delimiter-of-two", "delimiter", delimiter=";;"),
    export("delimiter-empty", "delimiter", delimiter=""),
    export("delimiter-line-feed", "delimiter", delimiter="\n"),
    export("delimiter-quote", "delimiter", delimiter='"'),
    export("delimiter-wide", "", delimiter="\U0001f6b0"),
    export("delimiter-nul", "U+0000", delimiter="\0"),
    export("delimiter-a-digit", "delimiter", delimiter="1"),
    export("decimal-is-thousands", "thousands", decimal=",", thousands=","),
    *(
        export(f"encoding-{name[:20]}", "U+0000" if "\0" in name else "encoding", encoding=name)
        for name in ("idna", "punycode", "undefined", "base64", "rot13", "hex", "zlib", "nope",
                     "unicode_escape", "raw_unicode_escape", "mbcs", "oem", "", "a\0b", LONG)
    ),
    *(
        sweep(f"meter-list-encoding-{name[:12]}", "encoding", meter_list={"encoding": name})
        for name in ("idna", "undefined", "base64", "nope", "unicode_escape", "")
    ),
    *(
        sweep(f"meter-list-delimiter-{n}", "delimiter", meter_list={"delimiter": text})
        for n, text in enumerate((";;", "", "\n", '"', "1"))
    ),
    export("time-format-of-nothing", "", time_format=""),
    export("time-format-nul", "U+0000", time_format="%Y\0"),
    export("time-format-unknown", "format specifier", time_format="%Q %J"),
    export("time-format-trailing", "format specifier", time_format="%Y-%"),
    export("columns-nul", "U+0000", columns={"volume": "a\0b"}),
    export("columns-unknown", "", columns={"what": "volume"}),
    export("columns-surrogate", "", columns={"volume": "\\ud800"}),
    export("quality-code-nul", "U+0000", quality_codes={"a\0b": "measured"}),
    export("quality-code-quote", "", quality_codes={"'; drop table x; --": "measured"}),
    export("quality-unknown", "quality", quality_codes={"A": "fine"}),
    export("interval-of-nothing", "", interval_min=1e-300),
    export("interval-nan", "interval_min", interval_min=float("nan")),
    export("interval-odd", "", interval_min=7.3),
    export("name-with-markup", "", name="[/b][red]"),
    export("name-with-nul", "U+0000", name="a\0b"),
    export("name-with-lines", "", name="a\nb"),
    sweep("utility-with-markup", "", utility="[/b] [link=x]"),
    sweep("utility-with-nul", "U+0000", utility="a\0b"),
    sweep("key-with-markup", "unknown key", **{"[/b]": 1}),
    sweep("value-with-markup", "units", units="[/b]"),
    sweep("class-code-with-markup", "[/b]", class_codes={"[/b]": "[/b]"}),
    sweep("notify-with-nul", "U+0000", notify="a\0b"),
    sweep("buckets-none", "buckets", buckets=0),
    sweep("wear-overflow", "wear", wear={"displacement": {"low_pct_per_year": 1e308}}),
]  # fmt: skip
CATALOGUE = (
    "- {meter_type: displacement, size_in: 1, starting_gpm: 0.75, min_test_gpm: 0.75,"
    " normal_min_gpm: 3, continuous_gpm: 25, smoc_gpm: 50, registration: [[0.75, 0.95],"
    " [3, 1], [50, 1]], head_loss_psi_at_smoc: 6, price_usd: 300, install_usd: 100,"
    " upkeep_usd_per_year: 5, life_years: 20, source: test}\n"
)


def meter(name: str, old: str, new: str) -> Case:
    assert old in CATALOGUE
    return Case(name, CATALOGUE.replace(old, new), "catalogue.yaml", "catalogue.yaml")


TIERS = (
    "classes: {default: {tiers: [{up_to_gal_per_month: %s, usd_per_kgal: 5},"
    " {usd_per_kgal: 6}]}}\n"
)


def whole(name: str, text: str) -> Case:
    return Case(name, text, "catalogue.yaml", "catalogue.yaml")


NUMBERS = [
    *(
        tariff(f"rate-{value}", RATES % value)
        for value in (
            "1e308",
            "1.0e+308",
            ".nan",
            ".inf",
            "-.inf",
            HUGE,
            HUGER,
            "'[/b]'",
            "-1",
        )
    ),
    tariff("tier-overflow", TIERS % "1.0e+308", ""),
    tariff("tier-nan", TIERS % ".nan"),
    tariff("sewer-overflow", RATES.replace("}]", "}], sewer_usd_per_kgal: 1.0e+308") % 5),
    tariff("charge-overflow", RATES % 5 + "fixed_charge_usd_per_month: {1: 1.0e+308}\n"),
    tariff("charge-of-nan-size", RATES % 5 + "fixed_charge_usd_per_month: {.nan: 5}\n"),
    tariff("charge-of-endless-size", RATES % 5 + "fixed_charge_usd_per_month: {.inf: 5}\n"),
    tariff("discount-nan", RATES % 5 + "discount_rate_pct: .nan\n"),
    tariff("per-m3-overflow", "classes: {default: {tiers: [{usd_per_m3: 1.0e+308}]}}\n"),
    tariff("class-with-markup", RATES % 5 + "'[/b]': 5\n"),
    tariff("class-list", "classes: []\n"),
    tariff("class-null", "classes: {default: ~}\n"),
    tariff("tiers-word", "classes: {default: {tiers: word}}\n"),
    *(
        meter(f"{key}-{value}", f"{key}: {held}", f"{key}: {value}")
        for key, held in (
            ("price_usd", 300),
            ("install_usd", 100),
            ("upkeep_usd_per_year", 5),
            ("smoc_gpm", 50),
            ("starting_gpm", 0.75),
            ("head_loss_psi_at_smoc", 6),
            ("size_in", 1),
            ("life_years", 20),
        )
        for value in ("1.0e+308", ".nan", HUGE)
    ),
    meter("points-nan", "[3, 1]", "[3, .nan]"),
    meter("points-overflow", "[3, 1]", "[3, 1.0e+308]"),
    meter("points-huge", "[3, 1]", f"[{HUGE}, 1]"),
    meter("points-short", "[3, 1]", "[3]"),
    meter("points-word", "[3, 1]", "word"),
    meter("type-a-list", "displacement", "[displacement]"),
    meter("type-a-mapping", "displacement", "{a: b}"),
    meter("type-with-markup", "displacement", "'[/b]'"),
    whole("meter-is-a-word", "- word\n"),
    whole("meter-is-null", "- ~\n"),
    whole("meter-keyed-by-list", "- {? [a] : b}\n"),
    whole("meter-keyed-by-number", CATALOGUE.replace("{meter", "{5: 1, meter")),
    whole("fire-size-nan", CATALOGUE + "- {meter_type: fire_service, size_in: .nan}\n"),
    whole(
        "fire-size-overflow", CATALOGUE + "- {meter_type: fire_service, size_in: 1.0e+308}\n"
    ),
    whole("fire-size-huge", CATALOGUE + f"- {{meter_type: fire_service, size_in: {HUGE}}}\n"),
    Case("limit-nan", "odds_of_benefit: .nan\n", "thresholds.yaml", "thresholds.yaml"),
    Case("limit-overflow", "min_net_benefit_usd_per_year: 1.0e+308\n", "", "thresholds.yaml"),
    Case("limit-huge", f"min_days_covered: {HUGE}\n", "", "thresholds.yaml"),
    Case("limit-list-as-key", "? [a]\n: 1\n", "thresholds.yaml", "thresholds.yaml"),
]


def utility_with(folder: Path, case: Case) -> Path:
    config = small_utility(folder / "utility")
    if case.file == "catalogue.yaml":
        config.write_text(yaml.safe_dump({**settings(), "catalogue": "catalogue.yaml"}))
    (folder / "utility" / case.file).write_bytes(case.text.encode("utf-8", "surrogatepass"))
    return config


@pytest.mark.parametrize("case", [*YAML, *NAMES, *NUMBERS], ids=lambda c: c.name[:40])
def test_a_configuration_is_refused_in_a_line_or_swept(tmp_path: Path, case: Case) -> None:
    config = utility_with(tmp_path, case)
    outcome = told("sweep", config, "--workers", "1")
    refused(outcome, case.says, codes=(0, 2, 3))
    if outcome.code == 2:
        assert not (config.parent / "workspace" / "published" / "results.duckdb").exists()


NAMED = ("sweep.yaml", "tariff.yaml", "thresholds.yaml", "meters.csv", "exports", "workspace")


@pytest.mark.parametrize("name", NAMED)
@pytest.mark.parametrize("how", ["loop", "nowhere", "pipe"])
def test_what_is_named_is_a_loop_or_a_pipe(tmp_path: Path, name: str, how: str) -> None:
    config = small_utility(tmp_path / "utility")
    place = config.parent / name
    if place.is_dir():
        place.rename(tmp_path / "away")
    else:
        place.unlink(missing_ok=True)
    if how == "pipe":
        os.mkfifo(place)
    else:
        place.symlink_to(place if how == "loop" else tmp_path / "no" / "where")
    outcome = told("sweep", config, "--workers", "1")
    is_made = name == "workspace" and how == "nowhere"  # a link to a folder still to be made
    word = "where" if how == "nowhere" else name
    refused(outcome, "" if is_made else word, codes=(0, 2) if is_made else (2,))


def test_a_pattern_over_loops_of_links_ends(tmp_path: Path) -> None:
    config = small_utility(
        tmp_path / "utility", exports=[{"name": "a", "path": "exports/**/*"}]
    )
    exports = config.parent / "exports"
    for name in ("one", "two"):
        (exports / name).mkdir()
        (exports / name / "up").symlink_to(exports)
        (exports / name / "itself").symlink_to(exports / name / "itself")
    outcome = told("sweep", config, "--workers", "1")
    refused(outcome, codes=(0, 3))
