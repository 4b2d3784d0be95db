"""An S3 store that answers on the loopback, as a process of its own."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

from tests.faults.service.prefect_service import answers
from tests.faults.service.processes import free_port, process, until

if TYPE_CHECKING:
    import s3fs

SECRET = "loopback-secret"


@contextmanager
def loopback_store(log: Path) -> Iterator[dict[str, str]]:
    """A store with one empty bucket, `utility`; the environment that reaches it."""
    port = free_port()
    serve = (sys.executable, "-m", "moto.server", "-H", "127.0.0.1", "-p", str(port))
    reach = {
        "AWS_ACCESS_KEY_ID": "loopback",
        "AWS_SECRET_ACCESS_KEY": SECRET,
        "AWS_DEFAULT_REGION": "us-east-1",
        "AWS_ENDPOINT_URL": f"http://127.0.0.1:{port}",
    }
    with process(*serve, log=log):
        until(lambda: answers(f"http://127.0.0.1:{port}/moto-api/"), "the store")
        bucket(reach).mkdir("utility")
        yield reach


def bucket(reach: dict[str, str]) -> s3fs.S3FileSystem:
    """The store, for who looks into it."""
    import s3fs

    return s3fs.S3FileSystem(
        key=reach["AWS_ACCESS_KEY_ID"],
        secret=SECRET,
        use_listings_cache=False,
        endpoint_url=reach["AWS_ENDPOINT_URL"],
    )
