"""The service's built-in Prefect server: started on localhost, restarted if it dies.

It restarts on the same port and database. A running flow continues meanwhile: it calls the
server rarely, and retries.
"""

from __future__ import annotations

import logging
import socket
import subprocess
import sys
import threading
import time
import urllib.error
import urllib.request
from pathlib import Path
from typing import Final

from pipelines.work.observe import event
from rightsize.errors import RightsizeError

_START_S: Final = 120
_END_S: Final = 15
_AGAIN_S: Final = 2.0
"""Wait before a restart, so that a server that fails at once does not restart in a loop."""


class OwnServer:
    """A Prefect server in its own process; `close` ends it."""

    def __init__(self, home: Path, port: int) -> None:
        self.url = f"http://127.0.0.1:{port}/api"
        self._home, self._port = home, port
        self._closing, self._turn = threading.Event(), threading.Lock()
        self._process = self._start()
        try:
            self._await()
        except BaseException:
            self._end()
            raise
        threading.Thread(target=self._keep, name="server", daemon=True).start()

    def close(self) -> None:
        """End it, for good."""
        with self._turn:
            self._closing.set()
        self._end()

    def _start(self) -> subprocess.Popen[bytes]:
        with (self._home / "server.log").open("ab") as log:
            return subprocess.Popen(
                [
                    sys.executable,
                    "-m",
                    "prefect",
                    "server",
                    "start",
                    "--host",
                    "127.0.0.1",
                    "--port",
                    str(self._port),
                ],
                stdout=log,
                stderr=subprocess.STDOUT,
                start_new_session=True,
            )

    def _keep(self) -> None:
        while True:
            code = self._process.wait()
            if self._closing.wait(_AGAIN_S):
                return
            event("prefect server died", level=logging.WARNING, exit_code=code)
            with self._turn:
                if self._closing.is_set():
                    return
                self._process = self._start()

    def _await(self) -> None:
        until = time.monotonic() + _START_S
        while time.monotonic() < until and self._process.poll() is None:
            try:
                with urllib.request.urlopen(f"{self.url}/health", timeout=2):
                    return
            except (urllib.error.URLError, OSError):
                time.sleep(0.3)
        log = self._home / "server.log"
        raise RightsizeError(f"the built-in Prefect server did not start; see {log}")

    def _end(self) -> None:
        self._process.terminate()
        try:
            self._process.wait(timeout=_END_S)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()


def free_port() -> int:
    """A free port on localhost."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])
