"""Object stores by URL, such as `s3://bucket/folder`, through fsspec.

The library for a store (s3fs for `s3://`) is an optional extra. Credentials and endpoint come
only from the environment, as the store's library reads them; none is taken from a
configuration or written anywhere.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, Final

from pipelines.store.file_stamp import ExportPlace
from rightsize.errors import ConfigError, StoreError

FLEETING: Final = {"memory"}
"""Types of stores that lose their content with the process."""


def is_url(path: str) -> bool:
    """Whether a path of the configuration names an object store."""
    return "://" in path


def refuse_store(url: str) -> None:
    """Reject a store whose content ends with the process, and one that is unknown.

    Raises
    ------
    ConfigError
        Naming the URL.
    """
    from fsspec.registry import available_protocols

    scheme = url.partition("://")[0]
    if scheme in FLEETING:
        raise ConfigError(f"{url}: the content of such a store is lost when the process ends")
    if scheme not in available_protocols():
        raise ConfigError(_unknown_text(url))


def copied_as(folder: Path, url: str) -> ExportPlace:
    """Location of the copies of a URL's objects; a glob becomes the glob of the copies."""
    scheme, _, key = url.partition("://")
    return ExportPlace.of(
        folder, f"{scheme}/{key}*" if key.endswith("/") else f"{scheme}/{key}"
    )


def store_of(url: str) -> Any:
    """The store of a URL as an fsspec file system.

    Raises
    ------
    ConfigError
        If the library for such URLs is not installed, or the URL scheme is unknown.
    """
    import fsspec

    scheme = url.partition("://")[0]
    if scheme in ("file", "local"):
        raise ConfigError(f"{url}: give local files as a path, not a URL")
    try:
        return fsspec.filesystem(scheme, use_listings_cache=False)
    except ImportError as error:
        raise ConfigError(
            f"{url}: the library for this store is not installed; for s3:// run: pip install "
            f"'rightsize[objectstore]'; otherwise: {error}"
        ) from None
    except Exception:  # of a kind that fsspec knows, but that is no store by itself
        raise ConfigError(_unknown_text(url)) from None


def _unknown_text(url: str) -> str:
    scheme = url.partition("://")[0]
    return f"{url}: unknown URL scheme {scheme!r}; for example, s3://bucket/folder"


@contextmanager
def asking(url: str) -> Iterator[None]:
    """Turn any error of the store into one that names the URL.

    Store libraries raise many kinds of errors, of which only some are `OSError`.
    """
    try:
        yield
    except StoreError:
        raise
    except Exception as error:
        raise StoreError(f"{url}: {type(error).__name__}: {error}") from error
