"""The secret of the service's Prefect API, and folders that nobody else may change.

Who can call the API can run any code as the service's user: Prefect lets a deployment's entry
point be changed. So the API asks for a secret that only that user can read; it goes to the
server and to runs in their environment, which other users cannot see, never as an argument,
which `ps` shows to all.
"""

from __future__ import annotations

import os
import secrets
import stat
from pathlib import Path
from typing import Final

from rightsize.errors import ConfigError

FILE: Final = "api_secret"
USER: Final = "rightsize"
_BYTES: Final = 32
"""Of randomness: 256 bits, what `secrets` takes by itself."""


def api_secret(home: Path) -> str:
    """The secret as `user:password`, read from the service's folder; made where there is none.

    Raises
    ------
    ConfigError
        If folder or file belong to somebody else, or the file holds no secret.
    """
    private_folder(home)
    path = home / FILE
    if not os.path.lexists(path):
        _write_private(path, f"{USER}:{secrets.token_urlsafe(_BYTES)}\n")
    found = path.lstat()
    if not stat.S_ISREG(found.st_mode) or found.st_uid != os.geteuid():
        raise ConfigError(f"{path} is not a file of this user; remove it and start again")
    if stat.S_IMODE(found.st_mode) != 0o600:
        raise ConfigError(
            f"{path} could be read by others; remove it, so that a new secret is made"
        )
    secret = path.read_text(encoding="utf-8").strip()
    if len(secret.partition(":")[2]) < _BYTES:
        raise ConfigError(f"{path} holds no secret; remove it, so that one is made")
    return secret


def private_folder(folder: Path) -> None:
    """A folder of this user's own that nobody else can enter; made where there is none.

    Raises
    ------
    ConfigError
        If it is a link, or belongs to somebody else.
    """
    folder.mkdir(mode=0o700, parents=True, exist_ok=True)
    found = folder.lstat()
    if not stat.S_ISDIR(found.st_mode) or found.st_uid != os.geteuid():
        raise ConfigError(f"{folder} is not a folder of this user; remove it and start again")
    if stat.S_IMODE(found.st_mode) != 0o700:
        folder.chmod(0o700)


def refuse_open_to_all(*paths: Path) -> None:
    """Refuse files and folders that every user of this machine could change or replace.

    Raises
    ------
    ConfigError
        Naming what is open, and how it is closed. A folder as `/tmp`, where everybody may write
        but only the owner of a file may replace it, is not open in this sense.
    """
    for path in paths:
        for place in (path, *path.parents):
            mode = place.stat().st_mode if place.exists() else 0
            is_sticky = place.is_dir() and mode & stat.S_ISVTX and place != path
            if mode & stat.S_IWOTH and not is_sticky:
                raise ConfigError(
                    f"{place} can be changed by every user of this machine, who could so run "
                    f"commands as this one; close it: chmod o-w {place}"
                )


def _write_private(path: Path, text: str) -> None:
    """Complete or absent, and never readable by others, not even for a moment."""
    aside = path.with_name(f".{path.name}.{secrets.token_hex(8)}")
    descriptor = os.open(aside, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    with os.fdopen(descriptor, "w", encoding="utf-8") as handle:
        handle.write(text)
    os.replace(aside, path)
