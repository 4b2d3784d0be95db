"""Queries and values that break renderers: answered, or refused in a line."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.faults.told import refused, told
from tests.pipelines.published_sweep import put_out
from tests.pipelines.stages.publish.synthetic_sweep import make_sweep

FORMATS = ("table", "csv", "json", "parquet")
QUERIES = {
    "lone surrogate": "select '\ud800'",
    "surrogate as name": 'select 1 as "\udcff"',
    "surrogate in a table": 'select * from "\ud83d"',
    "nul": "select 'a\0b'",
    "nul made": "select chr(0) as c",
    "date before Christ": "select date '0044-03-15 (BC)' as d",
    "time before Christ": "select timestamp '0044-03-15 (BC) 12:00:00' as t",
    "zoned before Christ": "select timestamptz '0044-03-15 (BC) 12:00:00+00' as t",
    "date past 9999": "select date '10000-01-01' as d",
    "last date": "select date '5881580-07-10' as d",
    "time past 9999": "select timestamp '294247-01-10 04:00:54' as t",
    "infinite date": "select date 'infinity' as d, date '-infinity' as e",
    "infinite time": "select timestamp 'infinity' as t, timestamp '-infinity' as u",
    "infinite zoned": "select timestamptz 'infinity' as t",
    "zoned at the edge": "select timestamptz '9999-12-31 23:59:59-12' as t",
    "first year": "select timestamptz '0001-01-01 00:00:00+14' as t",
    "seconds": "select timestamp_s '290000-01-01' as t",
    "nanoseconds": "select timestamp_ns '2262-01-01' as t",
    "24 o'clock": "select time '24:00:00' as t",
    "time with zone": "select timetz '12:00:00+15:59' as t",
    "infinity": "select 'inf'::double as a, '-inf'::double as b, 'nan'::double as c",
    "infinite gallons": "select 'inf'::double as volume_gal, 'nan'::float as cost_usd",
    "huge": "select 170141183460469231731687303715884105727::hugeint as h",
    "uhuge": "select 340282366920938463463374607431768211455::uhugeint as h",
    "bignum": "select '9999999999999999999999999999999999999999999'::bignum as b",
    "decimal": "select 12345678901234567890123456789012345678::decimal(38, 0) as d",
    "small decimal": "select 1e-38::decimal(38, 38) as d",
    "interval": "select interval '1000000 years' as i",
    "large interval": "select interval (2147483647) months as i",
    "uuid": "select uuid() as u",
    "bit": "select '10101'::bit as b",
    "blob": "select '\\xFF\\x00'::blob as b",
    "enumeration": "select 'a'::enum('a', 'b') as e",
    "list": "select [1, null, 'inf'::double] as l",
    "struct": "select {'a': {'b': [date '0044-03-15 (BC)']}} as s",
    "map": "select map {date 'infinity': 1, date '2025-01-01': 2} as m",
    "map of lists": "select map {[1, 2]: 'x'} as m",
    "union": "select union_value(a := 1) as u",
    "null": "select null as n",
    "no columns": "select * exclude (sweep_id) from (select sweep_id from sweep)",
    "same names": "select 1 as a, 2 as a",
    "empty name": 'select 1 as " "',
    "markup": "select '[/b][link=x]' as \"[/red]\"",
    "terminal": "select chr(27) || '[2J' as c",
    "many columns": "select " + ", ".join(f"{n} as c{n}" for n in range(2000)),
    "deep": "select " + "(" * 3000 + "1" + ")" * 3000,
    "deep list": "select " + "[" * 500 + "1" + "]" * 500,
    "long": "select '" + "x" * 1_000_000 + "' as s",
    "overflow": "select 9223372036854775807 + 1",
    "division": "select 1 // 0, 1 / 0, 1 % 0",
    "bad cast": "select 'x'::integer",
    "empty": "",
    "blank": "  \n ",
    "comment": "-- nothing",
    "semicolon": ";",
    "two": "select 1; select 2",
    "parameter": "select ?",
    "named parameter": "select $x",
    "no table": "select * from nothing",
    "half": "select",
    "error with markup": "select [/b] from [x]",
    "raised": "select error('[/b] \ud83d')",
    "variant": "select 1::variant as v",
    "geometry": "select 'POINT(1 2)'::geometry as g",
}  # fmt: skip


@pytest.fixture(scope="module")
def config(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("queries")
    sweep = make_sweep(folder / "workspace")
    put_out(sweep)
    (folder / "tariff.yaml").write_text("classes: {default: {tiers: [{usd_per_kgal: 5}]}}\n")
    path = folder / "sweep.yaml"
    path.write_text("utility: T\nexports: [{name: main, path: x}]\n")
    root = sweep.workspace.root
    path.write_text(path.read_text() + f"workspace: {root}\n")
    return path


@pytest.mark.parametrize("name", QUERIES)
def test_a_query_is_answered_or_refused_in_a_line(
    config: Path, tmp_path: Path, name: str
) -> None:
    for form in FORMATS:
        to = ("--to", tmp_path / "answer") if form == "parquet" else ()
        outcome = told("query", config, QUERIES[name], "--format", form, *to, "--timeout", "20")
        refused(outcome, codes=(0, 2))


@pytest.mark.parametrize("words", [
    ("--describe", "[/b]"), ("--describe", "\udcff"), ("--describe", "a\0b"),
    ("select 1", "--memory", "0GB"), ("select 1", "--memory", "9" * 40 + "TB"),
    ("select 1", "--memory", "1e9GB"), ("select 1", "--to", "a\0b"),
    ("select 1", "--to", "x" * 5000), ("select 1", "--to", "/dev/full/x"),
    ("select 1", "--to", "/proc/x"), ("select 1", "--timeout", "1e308"),
    ("select 1", "--timeout", "inf"), ("select 1", "--timeout", "nan"),
    ("select 1", "--limit", "9" * 30),
], ids=str)  # fmt: skip
def test_odd_options(config: Path, words: tuple[str, ...]) -> None:
    first, *more = words
    text = [first, *more] if first != "--describe" else ["--describe", *more]
    refused(told("query", config, *text), codes=(0, 2))
