"""A mail server on the loopback that keeps what it is sent: as much of SMTP as that takes."""

from __future__ import annotations

import email
import email.policy
import socketserver
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from email.message import EmailMessage

OK = "250 ok"
ANSWERS = {"DATA": "354 go on", "QUIT": "221 bye"}


class Sink(socketserver.ThreadingTCPServer):
    """Listens on a free port; `mails` are in the order in which they came."""

    daemon_threads = True

    def __init__(self) -> None:
        super().__init__(("127.0.0.1", 0), _Session)
        self.mails: list[EmailMessage] = []

    @property
    def port(self) -> int:
        return int(self.server_address[1])


class _Session(socketserver.StreamRequestHandler):
    server: Sink

    def handle(self) -> None:
        self._say("220 sink")
        while line := self.rfile.readline():
            word = line.decode().split()[0].upper()
            self._say(ANSWERS.get(word, OK))
            if word == "DATA":
                self.server.mails.append(self._mail())
                self._say(OK)
            if word == "QUIT":
                return

    def _say(self, text: str) -> None:
        self.wfile.write(f"{text}\r\n".encode())

    def _mail(self) -> EmailMessage:
        lines = []
        while (line := self.rfile.readline()) not in (b".\r\n", b""):
            lines.append(line.removeprefix(b"."))
        mail = email.message_from_bytes(b"".join(lines), policy=email.policy.default)
        assert isinstance(mail, EmailMessage)
        return mail


@contextmanager
def mail_sink() -> Iterator[Sink]:
    """Listening for as long as the block runs."""
    with Sink() as sink:
        thread = threading.Thread(target=sink.serve_forever, daemon=True)
        thread.start()
        try:
            yield sink
        finally:
            sink.shutdown()
            thread.join()
