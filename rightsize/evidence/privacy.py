"""A site page for readers who must not learn whose it is: without names, or with a code.

The reads stay on the page, and with them when water was used: a code keeps a page from being
looked up, it does not make its reads anonymous.
"""

from __future__ import annotations

import hmac
import re
from collections.abc import Mapping
from dataclasses import replace
from typing import Any, Final, Literal

from rightsize.evidence.site import SiteEvidence

Shown = Literal["names", "accounts", "codes"]
"""What a page says of the customer: name, address and account; the account; or a code."""
PERSONAL: Final = ("customer_name", "service_address")
_DIGITS: Final = 16  # 64 bits: no two of a million accounts share a code in practice
_WORD: Final = 3  # a shorter account or meter is left in sentences: it may be a figure


def code_of(name: str, salt: bytes) -> str:
    """The code of an account or meter: the same for one salt, and unknown without it."""
    made = hmac.digest(salt, name.encode("utf-8", "surrogatepass"), "sha256")
    return f"X{made.hex()[:_DIGITS].upper()}"


def as_shown(site: SiteEvidence, shown: Shown, salt: bytes = b"") -> SiteEvidence:
    """The evidence with no more of the customer than is to be shown."""
    if shown == "names":
        return site
    bare = replace(
        site, recommendation=_nameless(site.recommendation), listed=_nameless(site.listed)
    )
    return bare if shown == "accounts" else _coded(bare, salt)


def _nameless(row: Mapping[str, Any]) -> dict[str, Any]:
    return {key: None if key in PERSONAL else value for key, value in row.items()}


def _coded(site: SiteEvidence, salt: bytes) -> SiteEvidence:
    codes = {name: code_of(name, salt) for name in (site.account_id, site.meter_id)}

    def row(held: Mapping[str, Any]) -> dict[str, Any]:
        return {key: _in_codes(value, codes) for key, value in held.items()}

    return replace(
        site,
        recommendation=row(site.recommendation),
        findings=tuple(row(finding) for finding in site.findings),
        listed=row(site.listed),
        files=tuple(replace(file, name="file") for file in site.files),
    )


def _in_codes(value: Any, codes: Mapping[str, str]) -> Any:
    """A text with its account and meter replaced, where they stand as words of their own."""
    if not isinstance(value, str):
        return value
    if value in codes:
        return codes[value]
    for name, code in codes.items():
        if len(name) >= _WORD:
            value = re.sub(rf"(?<!\w){re.escape(name)}(?!\w)", code, value)
    return value
