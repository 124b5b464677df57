"""The district office on this machine: a real MQTT 5 broker and somebody who listens. Demo and tests only.

It writes down every message that arrives below the topic root, in the order
of arrival, and tells which of them it has had before. It answers nothing,
decides nothing, and guards nothing: no password, no encryption, the loopback
only. The broker is a child process; it ends with ``stop`` and, should this
process die, by itself.
"""

import base64
import contextlib
import itertools
import json
import signal
import socket
import threading
import time
import zlib
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Any, Self, TextIO

import iotcore
from paho.mqtt.client import Client, ConnectFlags, DisconnectFlags, MQTTMessage, MQTTv5
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

_HOST = "127.0.0.1"
_START_TIMEOUT_S = 15.0
_STOP_TIMEOUT_S = 5.0
_PORT_ATTEMPTS = 5
_KEEPALIVE_S = 10
_MESSAGE_LIMIT_BYTES = 262_144  # well above what the gateway allows itself
_INFLATED_LIMIT_BYTES = 16_777_216
_HAS_DICTIONARY, _ZLIB_HEADER_BYTES = 0x20, 6
_IDENTITIES_KEPT = 1_000_000  # a demo has some hundred thousand; beyond this the oldest are forgotten

_BROKER_TOML = """\
id = 0

[router]
id = 0
max_connections = 100
max_outgoing_packet_count = 200
max_segment_size = 104857600
max_segment_count = 10

[v5.1]
name = "office"
listen = "{host}:{port}"
next_connection_delay_ms = 1

    [v5.1.connections]
    connection_timeout_ms = 60000
    max_payload_size = {limit_bytes}
    max_inflight_count = 100
"""


class OfficeError(Exception):
    """The office could not be started, or something went wrong while it listened."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Heard:
    """One message as it reached the office.

    Args:
        topic: full topic.
        payload: bytes as sent.
        content: the payload read as JSON; None when it is none.
        qos: quality of service of the delivery, 0 to 2.
        retained: the broker kept it from earlier; it was not sent just now.
        double: everything in it was here before.
        received_utc_ms: by the clock given to the office.
    """

    topic: str
    payload: bytes
    content: Any
    qos: int
    retained: bool
    double: bool
    received_utc_ms: int


Identity = tuple[str, str, int, int, int]  # kind, site, run, n, number of the message about it
Range = tuple[int, int]  # numbers of readings that a message answers for, sent or held back; both included


def identities_of(content: Any) -> tuple[Identity, ...]:
    """What a message is told by: one identity for an event or a text, one for each reading of a history.

    Nothing for newest values and states: of these only the last one counts, and saying it twice is no double.
    This is written from the description of the messages, not with the sender's code, as a receiver's would be.
    """
    if not isinstance(content, dict):
        return ()
    kind = str(content.get("schema", "")).partition("/")[0].rpartition(".")[2]
    site, run = str(content.get("site", "")), content.get("run", 0)
    if kind in {"event", "message"}:
        return ((kind, site, run, content["n"], content.get("message", 0)),)
    if kind == "history":
        numbers = itertools.accumulate(content["n"], initial=content["first_n"])
        return tuple((kind, site, run, n, 0) for n in itertools.islice(numbers, 1, None))
    return ()


def range_of(content: Any) -> Range | None:
    """Numbers a history message answers for; None for anything else."""
    if not isinstance(content, dict) or not str(content.get("schema", "")).startswith("purplegate.history/"):
        return None
    return (content["first_n"], content["last_n"])


def wall_utc_ms() -> int:
    """This machine's clock, milliseconds UTC."""
    return time.time_ns() // 1_000_000


class Office:
    """Broker, listener and record. Use it as a context manager, or call ``start`` and ``stop``.

    Args:
        folder: where ``office.jsonl`` (the record) and the broker's settings go; made when missing.
        on_heard: called with every message, after it was written down, in the listener's thread;
            what it raises is kept and raised by ``stop``, and the listening goes on.
        topic_root: everything below it is heard.
        now_utc_ms: clock for the stamps; the demo gives the plant's.

    Attributes:
        port: of the broker, on the loopback, once started.
        record_path: the record.
        messages: how many were heard.
        records: how many different events, texts and readings were in them.
        doubles: how many events, texts and readings came again.
    """

    def __init__(
        self,
        *,
        folder: Path,
        on_heard: Callable[[Heard], None] | None = None,
        topic_root: str = "purplegate",
        now_utc_ms: Callable[[], int] = wall_utc_ms,
    ) -> None:
        self.record_path = folder / "office.jsonl"
        self.port = 0
        self.messages = 0
        self.records = 0
        self.doubles = 0
        self._folder = folder
        self._topics = f"{topic_root}/#"
        self._on_heard = on_heard
        self._now_utc_ms = now_utc_ms
        self._known: dict[Identity, None] = {}
        self._answered: list[Range] = []
        self._patterns: dict[int, bytes] = {}
        self._faults: list[Exception] = []
        self._listening = threading.Event()
        self._broker: iotcore.Broker | None = None
        self._client: Client | None = None
        self._record: TextIO | None = None

    def __enter__(self) -> Self:
        self.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.stop()

    def start(self) -> None:
        """Start the broker and listen. Returns when a message sent now would be heard.

        Raises:
            OfficeError: no free port was found, or broker or listener did not come up in time.
        """
        self._folder.mkdir(parents=True, exist_ok=True)
        try:
            self._start_broker()
            self._record = self.record_path.open("a", encoding="utf-8", buffering=1)
            self._start_listener()
        except BaseException:
            self._shut()
            raise

    def stop(self) -> None:
        """Stop listening, then the broker; no process is left. Safe to call twice.

        Raises:
            OfficeError: a message could not be written down, or ``on_heard`` raised; the first such fault.
        """
        self._shut()
        if self._faults:
            faults, self._faults = self._faults, []
            raise OfficeError(
                f"{len(faults)} message(s) not handled at the office, the first because: {faults[0]!r}"
            ) from faults[0]

    def _start_broker(self) -> None:
        """Take a free port; another program may take it first, so try a few."""
        for attempt in range(1, _PORT_ATTEMPTS + 1):
            self.port = _free_port()
            broker = iotcore.Broker(config_path=str(self._write_settings()))
            try:
                with _interrupts_held_back():
                    broker.start(timeout=_START_TIMEOUT_S)
            except (OSError, RuntimeError) as error:
                if attempt == _PORT_ATTEMPTS:
                    raise OfficeError(f"the office's broker did not start on {_HOST}:{self.port}: {error}") from error
            else:
                self._broker = broker
                return

    def _write_settings(self) -> Path:
        path = self._folder / "office-broker.toml"
        text = _BROKER_TOML.format(host=_HOST, port=self.port, limit_bytes=_MESSAGE_LIMIT_BYTES)
        path.write_text(text, encoding="utf-8")
        return path

    def _start_listener(self) -> None:
        client = Client(CallbackAPIVersion.VERSION2, client_id="district-office", protocol=MQTTv5)
        client.on_connect = self._subscribe
        client.on_subscribe = self._note_subscribed
        client.on_disconnect = self._note_disconnected
        client.on_message = self._hear
        self._client = client
        client.connect(_HOST, self.port, keepalive=_KEEPALIVE_S)
        client.loop_start()
        if not self._listening.wait(_START_TIMEOUT_S):
            raise OfficeError(f"the office could not subscribe to {self._topics} within {_START_TIMEOUT_S:g} s")

    def _shut(self) -> None:
        if self._client is not None:
            self._client.disconnect()
            self._client.loop_stop()
            self._client = None
        if self._broker is not None:
            self._broker.stop(timeout=_STOP_TIMEOUT_S)
            self._broker = None
        if self._record is not None:
            self._record.close()
            self._record = None
        self._listening.clear()

    # Called by the MQTT client's own thread. Nothing may be raised here: it would end that thread without a word.

    def _subscribe(
        self, client: Client, _user: object, _flags: ConnectFlags, reason: ReasonCode, _properties: Properties | None
    ) -> None:
        if not reason.is_failure:
            client.subscribe(self._topics, qos=1)

    def _note_subscribed(
        self, _client: Client, _user: object, _mid: int, reasons: list[ReasonCode], _properties: Properties | None
    ) -> None:
        if not any(reason.is_failure for reason in reasons):
            self._listening.set()

    def _note_disconnected(
        self,
        _client: Client,
        _user: object,
        _flags: DisconnectFlags,
        _reason: ReasonCode,
        _properties: Properties | None,
    ) -> None:
        self._listening.clear()

    def _hear(self, _client: Client, _user: object, message: MQTTMessage) -> None:
        try:
            heard = self._take_in(message)
            self._write_down(heard)
            if self._on_heard is not None:
                self._on_heard(heard)
        except Exception as error:  # noqa: BLE001 - kept for stop(); raising it here would end the listener's thread
            self._faults.append(error)

    def _take_in(self, message: MQTTMessage) -> Heard:
        self.messages += 1
        payload = bytes(message.payload)
        content = _read(payload, getattr(message.properties, "ContentType", ""), self._patterns)
        self._learn(content)
        return Heard(
            topic=message.topic,
            payload=payload,
            content=content,
            qos=message.qos,
            retained=message.retain,
            double=self._count(identities_of(content)),
            received_utc_ms=self._now_utc_ms(),
        )

    def _count(self, identities: tuple[Identity, ...]) -> bool:
        """Count what is new and what is not; True when there is something and nothing of it is new."""
        new = [identity for identity in identities if identity not in self._known]
        self._known.update(dict.fromkeys(new))
        while len(self._known) > _IDENTITIES_KEPT:
            del self._known[next(iter(self._known))]
        self.records += len(new)
        self.doubles += len(identities) - len(new)
        return bool(identities) and not new

    def _learn(self, content: Any) -> None:
        """Keep the pattern of a table of tags, and the numbers a history answers for."""
        if isinstance(content, dict) and content.get("schema") == "purplegate.tags/1":
            pattern = content["pattern"].encode()
            self._patterns[zlib.adler32(pattern)] = pattern
        answered = range_of(content)
        if answered is not None:
            self._answered = joined([*self._answered, answered])

    @property
    def missing(self) -> int:
        """How many numbers of readings no message has answered for, between the first and the last."""
        return sum(after[0] - before[1] - 1 for before, after in itertools.pairwise(self._answered))

    def _write_down(self, heard: Heard) -> None:
        if self._record is not None:
            self._record.write(json.dumps(_record_line(heard), ensure_ascii=False) + "\n")


def joined(ranges: Iterable[Range]) -> list[Range]:
    """The same numbers in as few ranges as possible, in order."""
    whole: list[Range] = []
    for first, last in sorted(ranges):
        if whole and first <= whole[-1][1] + 1:
            whole[-1] = (whole[-1][0], max(whole[-1][1], last))
        else:
            whole.append((first, last))
    return whole


def read_record(path: Path) -> Iterator[dict[str, Any]]:
    """Lines of an office record, oldest first."""
    with path.open(encoding="utf-8") as lines:
        for line in lines:
            yield json.loads(line)


def _record_line(heard: Heard) -> dict[str, Any]:
    line: dict[str, Any] = {
        "received_utc_ms": heard.received_utc_ms,
        "topic": heard.topic,
        "qos": heard.qos,
        "retained": heard.retained,
        "double": heard.double,
    }
    if heard.content is not None:
        return line | {"content": heard.content}
    return line | {"payload_base64": base64.b64encode(heard.payload).decode("ascii")}


def _read(payload: bytes, content_type: str, patterns: Mapping[int, bytes]) -> Any:
    """The payload as JSON, inflated first where the content type says so; None when it is none."""
    try:
        if content_type.endswith("+zlib"):
            payload = _inflater(payload, patterns).decompress(payload, _INFLATED_LIMIT_BYTES)
        return json.loads(payload)
    except (zlib.error, UnicodeDecodeError, json.JSONDecodeError, KeyError):
        return None


def _inflater(payload: bytes, patterns: Mapping[int, bytes]) -> Any:
    """RFC 1950: with the preset dictionary that octets 2 to 5 name, where octet 1 says that there is one."""
    if len(payload) > _ZLIB_HEADER_BYTES and payload[1] & _HAS_DICTIONARY:
        return zlib.decompressobj(zdict=patterns[int.from_bytes(payload[2:_ZLIB_HEADER_BYTES], "big")])
    return zlib.decompressobj()


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind((_HOST, 0))
        port: int = probe.getsockname()[1]
        return port


@contextlib.contextmanager
def _interrupts_held_back() -> Iterator[None]:
    """A child started within never sees Ctrl-C: the office must outlive the gateway to hear its last words."""
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)
