"""Object stores by URL, such as `s3://bucket/folder`, through fsspec.

The library for a store (s3fs for `s3://`) is an optional extra. Credentials and endpoint come
from the environment alone, as the store's library reads them; none is taken from a
configuration or written anywhere.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from rightsize.errors import ConfigError, StoreError


def is_url(path: str) -> bool:
    """Whether a path of the configuration names an object store."""
    return "://" in path


def copied_as(folder: Path, url: str) -> Path:
    """Where in a folder the copy of an object lies; a glob becomes the glob of the copies."""
    scheme, _, key = url.partition("://")
    return folder / scheme / (f"{key}*" if key.endswith("/") else key)


def store_of(url: str) -> Any:
    """The store of a URL as an fsspec file system.

    Raises
    ------
    ConfigError
        If the library for such URLs is not installed, or the kind of store is not known.
    """
    import fsspec

    scheme = url.partition("://")[0]
    if scheme in ("file", "local"):
        raise ConfigError(f"{url}: name files of this machine by their path")
    try:
        return fsspec.filesystem(scheme, use_listings_cache=False)
    except ImportError as error:
        raise ConfigError(
            f"{url} needs a library that is not installed: pip install "
            f"'rightsize[objectstore]' for s3://, else see: {error}"
        ) from None
    except ValueError:
        raise ConfigError(f"{url}: no kind of store is called {scheme!r}") from None


@contextmanager
def asking(url: str) -> Iterator[None]:
    """What goes wrong with the store is one error that names the URL.

    The libraries of stores raise errors of many kinds, of which only some are `OSError`.
    """
    try:
        yield
    except StoreError:
        raise
    except Exception as error:
        raise StoreError(f"{url}: {type(error).__name__}: {error}") from error
