"""File names that are safe for any account name, on any disk, and never shared by two."""

from __future__ import annotations

import hashlib
import re
from typing import Final

_PLAIN: Final = re.compile(r"[A-Z0-9](?:[A-Z0-9_-]|\.(?=[A-Z0-9])){0,59}")
_DIGITS: Final = 32  # 128 bits: no collisions in practice
_UNSAFE: Final = re.compile(r"[^a-z0-9_-]+")


def page_file(account_id: str) -> str:
    """The file name of an account's page.

    A name of capitals, digits, `_`, `-` and inner dots is kept. Any other is shortened
    to safe characters and made unique by `~` and a hash, so that names differing only in case,
    or in what is unsafe, never meet, also on a disk that does not tell case apart.
    """
    if _PLAIN.fullmatch(account_id):
        return f"site-{account_id}.html"
    digest = hashlib.sha256(account_id.encode("utf-8", "surrogatepass")).hexdigest()[:_DIGITS]
    slug = _UNSAFE.sub("-", account_id.lower()).strip("-")[:40]
    return f"site-{slug}~{digest}.html"
