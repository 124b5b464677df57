"""Stands before an HTTP server, passes on what is posted, and notes when it came and when it was acknowledged.

Sender and server do not notice, but for a millisecond a request; it takes the
same from whoever sends. Judges nothing.
"""

import contextlib
import http.client
import threading
import time
from collections.abc import Iterator
from dataclasses import dataclass
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer

_PATIENCE_S = 30.0
_PASSED_ON = ("Content-Encoding", "Content-Type", "Authorization")


@dataclass(frozen=True, slots=True, kw_only=True)
class Posted:
    """One request and its answer; monotonic seconds.

    Args:
        body: as it was sent.
        came_s: its head was read.
        answered_s: the server's answer was there.
        status: of the answer.
    """

    body: bytes
    came_s: float
    answered_s: float
    status: int


@contextlib.contextmanager
def before(port: int) -> Iterator[tuple[int, list[Posted]]]:
    """A port that leads to ``port``, and what has passed so far."""
    posted: list[Posted] = []
    server = ThreadingHTTPServer(("127.0.0.1", 0), _handler(port, posted))
    server.daemon_threads = True
    thread = threading.Thread(target=server.serve_forever, daemon=True)
    thread.start()
    try:
        yield server.server_address[1], posted
    finally:
        server.shutdown()
        server.server_close()
        thread.join()


def _handler(port: int, posted: list[Posted]) -> type[BaseHTTPRequestHandler]:
    class Handler(BaseHTTPRequestHandler):
        protocol_version = "HTTP/1.1"  # the connection stays
        disable_nagle_algorithm = True

        def setup(self) -> None:
            super().setup()
            self._onward = http.client.HTTPConnection("127.0.0.1", port, timeout=_PATIENCE_S)

        def finish(self) -> None:
            self._onward.close()
            super().finish()

        def do_POST(self) -> None:
            came_s = time.monotonic()
            body = self.rfile.read(int(self.headers["Content-Length"]))
            headers = {name: self.headers[name] for name in _PASSED_ON if name in self.headers}
            self._onward.request("POST", self.path, body, headers)
            answer = self._onward.getresponse()
            said = answer.read()
            posted.append(Posted(body=body, came_s=came_s, answered_s=time.monotonic(), status=answer.status))
            self.send_response(answer.status)
            self.send_header("Content-Length", str(len(said)))
            self.end_headers()
            self.wfile.write(said)

        def log_message(self, format: str, *args: object) -> None:  # noqa: A002 - the library's name
            """Nothing to say."""

    return Handler
