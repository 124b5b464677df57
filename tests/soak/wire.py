"""A metered link: a real broker behind TLS with certificates both ways, and a proxy before it that counts octets.

The proxy counts what passes above TCP, encryption included. It knows nothing of
packets, so the headers are taken from the kernel's count of the segments of the
gateway's connection, as the proxy's end of it saw them.
"""

import asyncio
import contextlib
import socket
import struct
import threading
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Self

from gateway.publishers.mqtt import Tls
from tests.mosquitto import broker, certificate, free_port

HEADERS = 52  # IPv4 20 (RFC 791), TCP 20 and 12 of time stamps (RFC 9293, 7323)
_SEGMENTS = 136  # segs_out and segs_in in struct tcp_info (linux/tcp.h)
_CHUNK = 65_536
_PATIENCE_S = 10.0


class CountingProxy:
    """Octets between gateway and broker, both ways; can be shut, as a link that is lost.

    Args:
        broker_port: where it leads.
    """

    def __init__(self, broker_port: int) -> None:
        self._broker_port = broker_port
        self._octets = 0
        self._segments = 0
        self._shut = False
        self._open: dict[asyncio.StreamWriter, asyncio.StreamWriter] = {}
        self._loop = asyncio.new_event_loop()
        self._thread = threading.Thread(target=self._loop.run_forever, daemon=True)
        self.port = 0

    def __enter__(self) -> Self:
        self._thread.start()
        self._server = asyncio.run_coroutine_threadsafe(
            asyncio.start_server(self._serve, "127.0.0.1", 0), self._loop
        ).result(_PATIENCE_S)
        self.port = int(self._server.sockets[0].getsockname()[1])
        return self

    def __exit__(self, *_: object) -> None:
        asyncio.run_coroutine_threadsafe(self._end(), self._loop).result(_PATIENCE_S)
        self._loop.call_soon_threadsafe(self._loop.stop)
        self._thread.join(_PATIENCE_S)
        self._loop.close()

    @property
    def octets(self) -> int:
        """Above TCP, both ways."""
        return self._octets

    def wire_bytes(self) -> int:
        """With the headers of every segment."""

        async def counted() -> int:
            return self._octets + HEADERS * (self._segments + sum(map(_segments_of, self._open)))

        return asyncio.run_coroutine_threadsafe(counted(), self._loop).result(_PATIENCE_S)

    def switch(self, *, is_open: bool) -> None:
        """Lose the link, or give it back."""

        def do() -> None:
            self._shut = not is_open
            for writer in [] if is_open else list(self._open):
                writer.transport.abort()

        self._loop.call_soon_threadsafe(do)

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        if self._shut:
            writer.transport.abort()
            return
        with contextlib.suppress(OSError):
            there, onward = await asyncio.open_connection("127.0.0.1", self._broker_port)
            self._open[writer] = onward
            ways = [asyncio.ensure_future(self._pass(*way)) for way in ((reader, onward), (there, writer))]
            await asyncio.wait(ways, return_when=asyncio.FIRST_COMPLETED)
            self._segments += _segments_of(writer)
            del self._open[writer]
            for way in ways:
                way.cancel()
            for one in (writer, onward):
                one.transport.abort()

    async def _pass(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        with contextlib.suppress(OSError):
            while data := await reader.read(_CHUNK):
                self._octets += len(data)
                writer.write(data)
                await writer.drain()

    async def _end(self) -> None:
        self._server.close()
        tasks = [task for task in asyncio.all_tasks() if task is not asyncio.current_task()]
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)


def _segments_of(writer: asyncio.StreamWriter) -> int:
    connection: socket.socket = writer.get_extra_info("socket")
    try:
        told = connection.getsockopt(socket.IPPROTO_TCP, socket.TCP_INFO, _SEGMENTS + 8)
    except OSError:
        return 0
    return int(sum(struct.unpack_from("=II", told, _SEGMENTS)))


@dataclass(frozen=True, slots=True, kw_only=True)
class MeteredLink:
    """Both ends of it.

    Args:
        proxy: where the gateway connects.
        tls: what it needs for that.
        office_port: of the broker in clear, for whoever listens at the office.
    """

    proxy: CountingProxy
    tls: Tls
    office_port: int


@contextlib.contextmanager
def metered_link(folder: Path) -> Iterator[MeteredLink]:
    """Broker and proxy for as long as the block lasts."""
    authority = certificate(folder, "authority")
    certificate(folder, "broker", signed_by="authority")
    ours = certificate(folder, "client", signed_by="authority")
    tls_port = free_port()
    lines = (
        "max_queued_messages 0",
        "max_inflight_messages 200",
        f"listener {tls_port} 127.0.0.1",
        f"cafile {authority}",
        f"certfile {folder}/broker.crt",
        f"keyfile {folder}/broker.key",
        "require_certificate true",
    )
    with broker(folder, *lines) as office, CountingProxy(tls_port) as proxy:
        tls = Tls(ca_file=authority, certificate_file=ours, key_file=folder / "client.key")
        yield MeteredLink(proxy=proxy, tls=tls, office_port=office.port)
