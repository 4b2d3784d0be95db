"""What other users of this host can read or change: nothing, unless the configuration says so.

Reads show when people are at home. What rightsize writes is readable by its own user only
(`private_umask`, `close_folder`); `results_group` opens the published results and pages to a
group (`group_id`, `open_to_group`).

The secret of the service's Prefect API lies in a file of that kind.
Anyone who can call the API can run code as the service's user: Prefect lets a deployment's
entry point be changed. So the API requires a secret that only that user can read; it goes to
the server and to runs in their environment, which other users cannot see, never as an argument,
which `ps` shows to all.
"""

from __future__ import annotations

import grp
import logging
import os
import secrets
import stat
from collections.abc import Collection, Iterator
from pathlib import Path
from typing import Final

from rightsize.errors import ConfigError

_LOG: Final = logging.getLogger("rightsize")
OWN_UMASK: Final = 0o077
"""New folders 0700, new files 0600."""
FILE: Final = "api_secret"
SALT_FILE: Final = "page_salt"
USER: Final = "rightsize"
_BYTES: Final = 32
"""Of randomness: 256 bits, the default of `secrets`."""


def private_umask() -> None:
    """Whatever this process makes from now on, only its own user can read."""
    os.umask(OWN_UMASK)


def group_id(name: str) -> int:
    """The number of a group of this host.

    Raises
    ------
    ConfigError
        If there is no such group, or this user may not give files to it.
    """
    try:
        found = int(name) if name.isdecimal() else grp.getgrnam(name).gr_gid
    except (KeyError, ValueError, OverflowError):
        raise ConfigError(f"results_group: no group {name!r} on this host") from None
    if os.geteuid() != 0 and found not in (os.getegid(), *os.getgroups()):
        raise ConfigError(
            f"results_group: this user is not in group {name!r} and may not give files to it"
        )
    return found


def close_folder(folder: Path, group: int | None = None) -> None:
    """Make a folder if missing, and let nobody else in; a group may pass, not list.

    A folder of another user, or on a disk without modes, is left as it is, with a warning.
    """
    folder.mkdir(mode=0o700, parents=True, exist_ok=True)
    try:
        _set_modes(folder, 0o700 if group is None else 0o710, group)
    except OSError as error:
        _LOG.warning("modes of %s cannot be set: %s", folder, error.strerror)


def is_own_folder(folder: Path, names: Collection[str], marks: Collection[str]) -> bool:
    """Whether a folder may be closed: new, or with nothing but what we put there.

    `names` are all that we put there, `marks` those that only we do. A folder such as `/` or
    `/tmp` is everybody's.
    """
    if not folder.is_dir():
        return True
    if folder.parent == folder or folder.stat().st_mode & stat.S_ISVTX:
        return False
    held = {entry.name for entry in folder.iterdir()}
    return held <= set(names) or not held.isdisjoint(marks)


def close_entries(folder: Path, names: Collection[str]) -> None:
    """Close what is ours in a folder that holds other things too."""
    folder.mkdir(mode=0o700, parents=True, exist_ok=True)
    for name in names:
        place = folder / name
        if place.is_symlink():
            continue
        if place.is_dir():
            close_folder(place)
        elif place.is_file():
            _set_modes(place, 0o600, None)


def open_to_group(folder: Path, group: int | None) -> None:
    """Let a group read a folder and all below it; without a group nothing is changed."""
    if group is None or not folder.is_dir():
        return
    for place in _below(folder):
        if not place.is_symlink():
            _set_modes(place, 0o750 if place.is_dir() else 0o640, group)


def _below(folder: Path) -> Iterator[Path]:
    yield folder
    for at, folders, files in os.walk(folder):
        yield from (Path(at, name) for name in (*folders, *files))


def _set_modes(place: Path, mode: int, group: int | None) -> None:
    """Set what differs; a file that was removed meanwhile needs no mode."""
    try:
        found = place.stat()
        if group is not None and found.st_gid != group:
            os.chown(place, -1, group)
        if stat.S_IMODE(found.st_mode) != mode:
            place.chmod(mode)
    except FileNotFoundError:
        return


def api_secret(home: Path) -> str:
    """The secret as `user:password`, read from the service's folder; created if missing.

    Raises
    ------
    ConfigError
        If folder or file belong to another user, or the file has no secret.
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
            f"{path} is readable by other users; remove it and start again for a new secret"
        )
    secret = path.read_text(encoding="utf-8").strip()
    if len(secret.partition(":")[2]) < _BYTES:
        raise ConfigError(f"{path} has no secret; remove it and start again to create one")
    return secret


def page_salt(root: Path) -> bytes:
    """What the codes of accounts on pages rest on; made once for each workspace.

    Raises
    ------
    ConfigError
        If the file does not hold it.
    """
    path = root / SALT_FILE
    if not os.path.lexists(path):
        _write_private(path, f"{secrets.token_hex(_BYTES)}\n")
    try:
        salt = bytes.fromhex(path.read_text(encoding="ascii"))
    except (OSError, ValueError):
        salt = b""
    if len(salt) != _BYTES:
        raise ConfigError(f"{path} holds no salt; remove it, and accounts get new codes")
    return salt


def private_folder(folder: Path) -> None:
    """A folder of this user that no other user can enter; created if missing.

    Raises
    ------
    ConfigError
        If it is a link, or belongs to another user.
    """
    folder.mkdir(mode=0o700, parents=True, exist_ok=True)
    found = folder.lstat()
    if not stat.S_ISDIR(found.st_mode) or found.st_uid != os.geteuid():
        raise ConfigError(f"{folder} is not a folder of this user; remove it and start again")
    if stat.S_IMODE(found.st_mode) != 0o700:
        folder.chmod(0o700)


def refuse_open_to_all(*paths: Path) -> None:
    """Reject files and folders that every user of this host could change or replace.

    Raises
    ------
    ConfigError
        Naming the path and how to close it. A folder such as `/tmp`, where everyone can write
        but only the owner of a file can replace it, is not open in this sense.
    """
    for path in paths:
        for place in (path, *path.parents):
            mode = place.stat().st_mode if place.exists() else 0
            is_sticky = place.is_dir() and mode & stat.S_ISVTX and place != path
            if mode & stat.S_IWOTH and not is_sticky:
                raise ConfigError(
                    f"{place} can be changed by every user of this host, who could then run "
                    f"commands as this one; close it: chmod o-w {place}"
                )


def _write_private(path: Path, text: str) -> None:
    """Complete or absent, and never readable by other users, not even for a moment."""
    aside = path.with_name(f".{path.name}.{secrets.token_hex(8)}")
    descriptor = os.open(aside, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    with os.fdopen(descriptor, "w", encoding="utf-8") as handle:
        handle.write(text)
    os.replace(aside, path)
