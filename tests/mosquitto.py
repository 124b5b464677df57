"""A real Mosquitto on a free port, somebody who listens, and a relay between broker and client that can be cruel."""

import asyncio
import contextlib
import queue
import shutil
import socket
import subprocess
import threading
import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Self

from paho.mqtt.client import Client, ConnectFlags, MQTTMessage, MQTTv5
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from gateway.publishers import payload
from gateway.publishers.columns import Reader

PROGRAM = shutil.which("mosquitto") or "/usr/sbin/mosquitto"
PATIENCE_S = 20.0
_PUBLISH, _PUBACK = 0x30, 0x40


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


class Broker:
    """Mosquitto as a child process; ``kill`` and ``start`` may be called in turn, the port stays."""

    def __init__(self, folder: Path, *settings: str) -> None:
        self.port = free_port()
        self._folder = folder
        self._settings = settings
        self._process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        lines = [f"listener {self.port} 127.0.0.1", "user root", "log_dest none", *self._settings]
        if not any(line.startswith("allow_anonymous") for line in lines):
            lines.append("allow_anonymous true")
        file = self._folder / "mosquitto.conf"
        file.write_text("\n".join(lines) + "\n")
        self._process = subprocess.Popen([PROGRAM, "-c", str(file)], stderr=subprocess.DEVNULL)
        self._wait_until_it_listens()

    def _wait_until_it_listens(self) -> None:
        until = time.monotonic() + PATIENCE_S
        while time.monotonic() < until:
            assert self._process is not None
            assert self._process.poll() is None, "the broker ended by itself, look at its settings"
            with socket.socket() as probe:
                if probe.connect_ex(("127.0.0.1", self.port)) == 0:
                    return
            time.sleep(0.01)
        raise AssertionError("the broker does not listen")

    def kill(self) -> None:
        if self._process is not None:
            self._process.kill()
            self._process.wait(PATIENCE_S)
            self._process = None


@contextlib.contextmanager
def broker(folder: Path, *settings: str) -> Iterator[Broker]:
    running = Broker(folder, *settings)
    running.start()
    try:
        yield running
    finally:
        running.kill()


def make_password_file(path: Path, **passwords: str) -> None:
    path.touch(mode=0o600)
    for name, password in passwords.items():
        subprocess.run(["mosquitto_passwd", "-b", str(path), name, password], check=True, capture_output=True)


def certificate(folder: Path, name: str, *, signed_by: str | None = None) -> Path:
    """A key and a certificate for 127.0.0.1, of its own or of another's authority."""
    new_key = ["-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:P-256", "-nodes", "-keyout", str(folder / f"{name}.key")]
    authority = (
        ["-CA", str(folder / f"{signed_by}.crt"), "-CAkey", str(folder / f"{signed_by}.key")] if signed_by else []
    )
    for_whom = ["-subj", f"/CN={name}", "-addext", "subjectAltName=IP:127.0.0.1", "-days", "2"]
    subprocess.run(
        ["openssl", "req", "-x509", *new_key, *authority, *for_whom, "-out", str(folder / f"{name}.crt")],
        check=True,
        capture_output=True,
    )
    return folder / f"{name}.crt"


@dataclass(frozen=True)
class Heard:
    topic: str
    body: bytes
    content_type: str
    retained: bool
    reader: Reader = field(default_factory=Reader)

    @property
    def content(self) -> Any:
        return self.reader.decode(self.body, self.content_type)

    @property
    def channel(self) -> str:
        """The last part of the topic; ``tags`` for the table that comes before the readings on theirs."""
        last = self.topic.rsplit("/", 1)[-1]
        return "tags" if last == "history" and isinstance(self.content, payload.Tags) else last


class Listener:
    """Subscribes to everything with a session that outlives the broker's connection; keeps what it hears in order."""

    def __init__(self, port: int, topic: str = "#", name: str = "listener", **login: str) -> None:
        self.heard: list[Heard] = []
        self.reader = Reader()
        self._news: queue.SimpleQueue[Heard] = queue.SimpleQueue()
        self._subscribed = threading.Event()
        self._topic = topic
        client = Client(CallbackAPIVersion.VERSION2, client_id=name, protocol=MQTTv5)
        if login:
            client.username_pw_set(login["username"], login["password"])
        client.on_connect = self._on_connect
        client.on_subscribe = lambda *_: self._subscribed.set()
        client.on_message = self._on_message
        client.reconnect_delay_set(1, 1)
        properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
        properties.SessionExpiryInterval = 600
        client.connect("127.0.0.1", port, 10, clean_start=False, properties=properties)
        client.loop_start()
        self._client = client
        assert self._subscribed.wait(PATIENCE_S)

    def _on_connect(self, client: Client, _u: Any, _f: ConnectFlags, _r: ReasonCode, _p: Properties | None) -> None:
        client.subscribe(self._topic, qos=1)

    def _on_message(self, _client: Client, _userdata: Any, message: MQTTMessage) -> None:
        properties = message.properties
        heard = Heard(
            topic=message.topic,
            body=bytes(message.payload),
            content_type=str(getattr(properties, "ContentType", "")),
            retained=message.retain,
            reader=self.reader,
        )
        self._news.put(heard)

    def next(self, timeout_s: float = PATIENCE_S) -> Heard:
        heard = self._news.get(timeout=timeout_s)
        self.heard.append(heard)
        return heard

    def until(self, found: Any, timeout_s: float = PATIENCE_S) -> Heard:
        """The next message for which ``found(message)`` is true; those before it are kept in ``heard``."""
        until = time.monotonic() + timeout_s
        while (left := until - time.monotonic()) > 0:
            with contextlib.suppress(queue.Empty):
                heard = self.next(left)
                if found(heard):
                    return heard
        raise AssertionError(f"not heard; heard were {[h.topic for h in self.heard]}")

    def expect_new_session(self) -> None:
        """The broker is gone; ``wait_subscribed`` now waits for the next one."""
        self._subscribed.clear()

    def wait_subscribed(self) -> None:
        assert self._subscribed.wait(PATIENCE_S)

    def close(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()


@contextlib.contextmanager
def listener(port: int, topic: str = "#", **login: str) -> Iterator[Listener]:
    listening = Listener(port, topic, **login)
    try:
        yield listening
    finally:
        listening.close()


class Relay:
    """Stands between a client and the broker; sees the packets, can hold the answers back or cut the line."""

    def __init__(self, broker_port: int) -> None:
        self.port = free_port()
        self.published = 0
        self.answered = 0
        self.peak_unanswered = 0
        self.connections = 0
        self.answers = asyncio.Event()  # cleared: acknowledgements are held back
        self.answers.set()
        self.refuses = False  # connections are closed as soon as they come
        self.cut_when_body_holds = b""
        self._broker_port = broker_port
        self._writers: set[asyncio.StreamWriter] = set()
        self._server: asyncio.Server | None = None

    async def __aenter__(self) -> Self:
        self._server = await asyncio.start_server(self._serve, "127.0.0.1", self.port)
        return self

    async def __aexit__(self, *_: object) -> None:
        assert self._server is not None
        self._server.close()
        self.cut()
        self.answers.set()

    def cut(self) -> None:
        for writer in list(self._writers):
            writer.transport.abort()

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self.connections += 1
        if self.refuses:
            writer.transport.abort()
            return
        try:
            upstream_reader, upstream_writer = await asyncio.open_connection("127.0.0.1", self._broker_port)
        except OSError:
            writer.transport.abort()
            return
        pair = {writer, upstream_writer}
        self._writers |= pair
        there = asyncio.ensure_future(self._pass_on(reader, upstream_writer, self._sent))
        back = asyncio.ensure_future(self._pass_on(upstream_reader, writer, self._returned))
        await asyncio.wait([there, back], return_when=asyncio.FIRST_COMPLETED)
        for task in (there, back):
            task.cancel()
        await asyncio.wait([there, back])
        for one in pair:
            one.transport.abort()
        self._writers -= pair

    async def _pass_on(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter, look: Any) -> None:
        with contextlib.suppress(OSError, asyncio.IncompleteReadError):
            while True:
                packet = await _packet(reader)
                await look(packet)
                writer.write(packet)
                await writer.drain()

    async def _sent(self, packet: bytes) -> None:
        if packet[0] & 0xF0 == _PUBLISH:
            self.published += 1
            self.peak_unanswered = max(self.peak_unanswered, self.published - self.answered)
            if self.cut_when_body_holds and self.cut_when_body_holds in packet:
                raise ConnectionAbortedError

    async def _returned(self, packet: bytes) -> None:
        if packet[0] & 0xF0 == _PUBACK:
            await self.answers.wait()
            self.answered += 1


async def _packet(reader: asyncio.StreamReader) -> bytes:
    head = bytearray(await reader.readexactly(1))
    length, shift = 0, 0
    while True:
        octet = (await reader.readexactly(1))[0]
        head.append(octet)
        length |= (octet & 0x7F) << shift
        shift += 7
        if not octet & 0x80:
            return bytes(head) + await reader.readexactly(length)


async def eventually(condition: Any, timeout_s: float = PATIENCE_S) -> None:
    """Wait until a condition holds; fail when it does not in time."""
    until = time.monotonic() + timeout_s
    while not condition():
        assert time.monotonic() < until, "did not come true in time"
        await asyncio.sleep(0.005)
