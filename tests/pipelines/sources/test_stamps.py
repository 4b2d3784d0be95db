"""A stamp is told by its shape: an offset is never dropped, whatever the text's length."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta, timezone

import duckdb
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipelines.sources.stamps import stamp_macros


@pytest.fixture(scope="module")
def connection() -> Iterator[duckdb.DuckDBPyConnection]:
    with duckdb.connect() as opened:
        opened.execute("set TimeZone = 'UTC'")
        for macro in stamp_macros(None):
            opened.execute(macro)
        yield opened


def told(connection: duckdb.DuckDBPyConnection, text: str) -> tuple[datetime | None, bool]:
    row = connection.execute(
        "select stamp_at(t), is_utc_stamp(t) from (select ?::varchar as t)", [text]
    ).fetchone()
    assert row is not None
    return row[0], row[1]


@pytest.mark.parametrize(
    "text",
    ["2025-6-1 1:00+00:00", "2025-6-1 7:00+06:00", "2025-06-1 1:00:00Z", "2025-6-1 1:00Z"],
)
def test_an_offset_counts_at_any_length(
    connection: duckdb.DuckDBPyConnection, text: str
) -> None:
    assert told(connection, text) == (datetime(2025, 6, 1, 1), True)


@settings(max_examples=300, deadline=None)
@given(
    at=st.datetimes(datetime(1996, 1, 1), datetime(2099, 1, 1)),
    offset_min=st.sampled_from([None, 0, 60, -360, 330, -210, 840]),
    date_sign=st.sampled_from("-/"),
    between=st.sampled_from(" T"),
    is_padded=st.tuples(*[st.booleans()] * 3),
    has_seconds=st.booleans(),
    colon=st.sampled_from([":", ""]),
    zulu=st.booleans(),
)
def test_every_writing_tells_its_instant(
    connection: duckdb.DuckDBPyConnection,
    at: datetime,
    offset_min: int | None,
    date_sign: str,
    between: str,
    is_padded: tuple[bool, bool, bool],
    has_seconds: bool,
    colon: str,
    zulu: bool,
) -> None:
    """Law: with an offset the instant, without one the wall clock, as written."""
    at = at.replace(microsecond=0, second=at.second if has_seconds else 0)
    month, day, hour = (
        f"{n:02d}" if padded else str(n)
        for n, padded in zip((at.month, at.day, at.hour), is_padded, strict=True)
    )
    text = f"{at.year}{date_sign}{month}{date_sign}{day}{between}{hour}:{at.minute:02d}"
    text += f":{at.second:02d}" if has_seconds else ""
    if offset_min is None:
        assert told(connection, text) == (at, False)
        return
    sign = "-" if offset_min < 0 else "+"
    hours, minutes = divmod(abs(offset_min), 60)
    text += "Z" if zulu and not offset_min else f"{sign}{hours:02d}{colon}{minutes:02d}"
    zone = timezone(timedelta(minutes=offset_min))
    instant = at.replace(tzinfo=zone).astimezone(UTC).replace(tzinfo=None)
    assert told(connection, text) == (instant, True)
