"""A time stamp's text as SQL: wall clock, offset, epoch, or a custom format."""

from __future__ import annotations

import re

from pipelines.store.warehouse import quoted

_WALL = r"^\d{4}[-/]\d{1,2}[-/]\d{1,2}([ T]\d{1,2}:\d{2}(:\d{2}(\.\d+)?)?)?$"
_OFFSET = (
    r"^\d{4}[-/]\d{1,2}[-/]\d{1,2}[ T]\d{1,2}:\d{2}(:\d{2}(\.\d+)?)?"
    r"\s*(Z|z|UTC|[+-]\d{2}(:?\d{2})?)$"
)
_EPOCH_S = r"^-?\d{1,10}(\.0*)?$"
_EPOCH_MS = r"^-?\d{12,13}(\.0*)?$"


def stamp_macros(time_format: str | None) -> tuple[str, str]:
    """Statements that define `stamp_at(text)` and `is_utc_stamp(text)`.

    `stamp_at` is a timestamp: UTC where `is_utc_stamp` is true, wall clock elsewhere, null
    where the text is no time. The two common writings, `YYYY-MM-DD HH:MM` and with seconds,
    are told by where their signs stand and cost one cast; anything else goes the longer way.
    The plain cast of the database would drop an offset without a word, so no other text
    reaches it.
    """
    if time_format:
        return _format_macros(time_format)
    common = (
        "t[5] in ('-', '/') and t[8] = t[5] and t[11] in (' ', 'T') and t[14] = ':' and "
        "(length(t) = 16 or length(t) = 19 and t[17] = ':' and t[19] between '0' and '9')"
    )
    stamp = (
        "create or replace temp macro stamp_at(t) as "
        f"case when {common} then try_cast(t as timestamp) "
        f"when regexp_matches(t, {quoted(_WALL)}) then try_cast(t as timestamp) "
        f"when regexp_matches(t, {quoted(_OFFSET)}) then {_offset_sql()} "
        f"when regexp_matches(t, {quoted(_EPOCH_S)}) "
        "then make_timestamp(try_cast(t as double)::bigint * 1000000) "
        f"when regexp_matches(t, {quoted(_EPOCH_MS)}) "
        "then make_timestamp(try_cast(t as double)::bigint * 1000) end"
    )
    is_utc = (
        "create or replace temp macro is_utc_stamp(t) as "
        f"case when {common} then false else not regexp_matches(t, {quoted(_WALL)}) end"
    )
    return stamp, is_utc


def _offset_sql() -> str:
    """`...+0700`, `...+07`, `... UTC` as the cast takes them, then the UTC wall clock."""
    zulu = "regexp_replace(t, '\\s*(Z|z|UTC)$', '+00:00')"
    colon = f"regexp_replace({zulu}, '\\s*([+-]\\d{{2}}):?(\\d{{2}})$', '\\1:\\2')"
    return f"timezone('UTC', try_cast({colon} as timestamptz))"


def _format_macros(time_format: str) -> tuple[str, str]:
    has_offset = bool(re.search(r"(?<!%)(%%)*%z", time_format))
    parsed = f"try_strptime(t, {quoted(time_format)})"
    stamp = f"timezone('UTC', {parsed})" if has_offset else parsed
    return (
        f"create or replace temp macro stamp_at(t) as {stamp}",
        f"create or replace temp macro is_utc_stamp(t) as {str(has_offset).lower()}",
    )
