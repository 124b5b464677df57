"""Row f: readings from the store to a broker and to a server for line protocol, delivered and acknowledged.

The real uplink process reads from a real field process and sends to a real
Mosquitto or VictoriaMetrics. Beside it the bare library, in a process of its
own too, sends the same readings to the same server. The goal is judged with
the library given the same batches as plain tuples in memory: it has to encode
them into the same form, columns or lines, compressed alike, as a program
without a gateway would have to, but has nothing to read, unpack, thin or keep.
A second line, to be known and without a goal, has it send the very same
octets, ready made: then it does not even see a reading.

Every reading differs from the last, so that none is thinned out on the way.
The gateway's time is from the first message to the last, at the receiver; it
sends a message only when the one before is acknowledged.
"""

import gzip
import http
import subprocess
import sys
import threading
import time
from collections.abc import Iterator, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import msgspec
from paho.mqtt.client import Client, MQTTMessage, MQTTv5
from paho.mqtt.enums import CallbackAPIVersion

from gateway.publishers import payload
from gateway.publishers.columns import Reader
from gateway.publishers.line_protocol import lines_of
from gateway.publishers.payload import SampleRow
from gateway.uplink.process import StoredChunks
from tests.bench import http_witness, made_record, modbus_peer, trip_site
from tests.bench.bare_sender import GZIP_LEVEL, WINDOW, Reading
from tests.bench.frame import Figure, Goal, Scale, alternately
from tests.bench.http_witness import Posted
from tests.bench.made_record import Chunk, Filled
from tests.bench.processes import field_process, python_process, scratch_folder, wait_until
from tests.mosquitto import PATIENCE_S, broker
from tests.victoriametrics import victoria_metrics

_SECONDS, _SECONDS_SHORT = 43_200, 600  # of 20 readings a second; a message takes a chunk, which is 300 s
_LOOKED_AT = 10  # of the newest requests
_BATCH_ROWS = 5_000  # of one request, as the gateway has


def measure(scale: Scale) -> Sequence[Figure]:
    """Both receivers, one after the other."""
    seconds = _SECONDS_SHORT if scale.short else _SECONDS
    with scratch_folder() as folder:
        return [
            *_to_broker(folder / "broker", seconds, scale.rounds),
            *_to_lines(folder / "lines", seconds, scale.rounds),
        ]


@contextmanager
def _backlog(folder: Path, seconds: int, uplink: dict[str, Any]) -> Iterator[tuple[list[Chunk], Filled]]:
    """A field process with a backlog, in front of a device that keeps it as busy as a site does."""
    with ExitStack() as running:
        device = modbus_peer.running(trip_site.CHANNELS, len(trip_site.CONNECTIONS))
        _, ports, _ = running.enter_context(device)
        loaded = trip_site.write_site(folder, ports=ports, uplink=uplink)
        chunks = made_record.moving_chunks(trip_site.MOVING, seconds, configuration=loaded.hash)
        filled = made_record.fill(loaded, folder / "record" / "plant.db", chunks)
        running.enter_context(field_process(folder))
        yield chunks, filled


@contextmanager
def _uplink(folder: Path) -> Iterator[None]:
    """An uplink process that begins at the beginning."""
    for file in (folder / "record").glob("uplink.db*"):
        file.unlink()
    with python_process(folder / "uplink.log", "-m", "gateway", "uplink", str(folder)):
        yield


def _bare(kind: str, port: int, batches: Sequence[bytes] | Sequence[Sequence[Reading]], folder: Path) -> float:
    """Seconds for which the bare library is busy."""
    file = folder / "batches"
    file.write_bytes(msgspec.msgpack.encode(batches))
    command = [sys.executable, "-m", "tests.bench.bare_sender", kind, str(port), str(file)]
    return float(subprocess.run(command, check=True, stdout=subprocess.PIPE).stdout)


# --- to a broker -----------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Message:
    at_s: float
    body: bytes
    content_type: str


class _Subscriber:
    """Keeps what comes, as it comes; looks into it afterwards."""

    def __init__(self, port: int) -> None:
        self.heard: list[_Message] = []
        self._subscribed = threading.Event()
        self._client = client = Client(CallbackAPIVersion.VERSION2, client_id="office", protocol=MQTTv5)
        client.on_subscribe = lambda *_: self._subscribed.set()
        client.on_message = self._on_message
        client.connect("127.0.0.1", port)
        client.subscribe("#", qos=1)
        client.loop_start()
        assert self._subscribed.wait(PATIENCE_S)

    def _on_message(self, _client: Client, _userdata: Any, message: MQTTMessage) -> None:
        if message.topic.endswith("/history"):
            content_type = str(getattr(message.properties, "ContentType", ""))
            self.heard.append(_Message(time.monotonic(), bytes(message.payload), content_type))

    def close(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()


@dataclass
class _Sent:
    """What the gateway has sent in its last round, and how much both have sent in all."""

    bodies: list[bytes] = field(default_factory=list)
    batches: list[list[SampleRow]] = field(default_factory=list)
    by_gateway: int = 0
    by_bare: int = 0

    @property
    def rows(self) -> int:
        return sum(map(len, self.batches))


def _to_broker(folder: Path, seconds: int, rounds: int) -> list[Figure]:
    folder.mkdir()
    sent = _Sent()
    with broker(folder, "max_queued_messages 0") as office:
        with _backlog(folder, seconds, trip_site.to_broker(office.port)) as (_, filled):
            ours, encoded = alternately(
                rounds,
                lambda: _gateway_to_broker(folder, office.port, filled.samples, sent),
                lambda: _bare_to_broker(folder, office.port, "mqtt-encode", list(map(_readings, sent.batches)), sent),
            )
            sent.by_bare = rounds * sent.rows
        ready = [_bare_to_broker(folder, office.port, "mqtt", sent.bodies, sent) for _ in range(rounds)]
    said = f"columns deflated alike, {len(sent.bodies)} messages a round of the gateway, window {WINDOW}"
    return _figures("Mosquitto", ours=ours, encoded=encoded, ready=ready, sent=sent, said=said)


def _gateway_to_broker(folder: Path, port: int, samples: int, sent: _Sent) -> float:
    """Samples a second of one uplink, from its first history message to the one with the last sample."""
    office = _Subscriber(port)
    with _uplink(folder):
        wait_until(lambda: _last_n(office.heard) >= samples, "everything at the office", look_s=0.1)
    office.close()
    reader, told = Reader(), list[tuple[_Message, list[SampleRow]]]()
    for message in office.heard:
        content = reader.decode(message.body, message.content_type)
        if isinstance(content, payload.History) and content.first_n <= samples:
            told.append((message, [row for row in reader.rows_of(content) if row.n <= samples]))
    sent.bodies, sent.batches = [message.body for message, _ in told], [rows for _, rows in told]
    sent.by_gateway += sent.rows
    took_s = told[-1][0].at_s - told[0][0].at_s
    return sum(len(rows) for _, rows in told[1:]) / took_s


def _last_n(heard: Sequence[_Message]) -> int:
    """How far the newest message answers; the tables of tags that came before are needed to read it."""
    reader, last_n = Reader(), 0
    for message in (*heard[:_TABLES_WITHIN], *heard[-1:]):
        content = reader.decode(message.body, message.content_type)
        last_n = content.last_n if isinstance(content, payload.History) else last_n
    return last_n


_TABLES_WITHIN = 2


def _bare_to_broker(
    folder: Path, port: int, kind: str, batches: Sequence[bytes] | Sequence[Sequence[Reading]], sent: _Sent
) -> float:
    office = _Subscriber(port)  # so that the broker has as much to do
    took_s = _bare(kind, port, batches, folder)
    office.close()
    return sent.rows / took_s


def _readings(rows: Sequence[SampleRow]) -> list[Reading]:
    return [(row.tag, row.utc_ms, row.value) for row in rows if isinstance(row.value, float)]


# --- to a server for line protocol -----------------------------------------------------------------------------


def _to_lines(folder: Path, seconds: int, rounds: int) -> list[Figure]:
    folder.mkdir()
    sent = _Sent()
    with ExitStack() as running:
        metrics = running.enter_context(victoria_metrics(folder))
        port, posted = running.enter_context(http_witness.before(metrics.port))
        uplink = trip_site.to_line_server(f"http://127.0.0.1:{port}")
        chunks, filled = running.enter_context(_backlog(folder, seconds, uplink))
        rows = [row for header, body in chunks for row in StoredChunks().readings(header, body)]
        sent.batches = [rows[start : start + _BATCH_ROWS] for start in range(0, len(rows), _BATCH_ROWS)]
        assert sent.rows == filled.samples
        sent.bodies = [_request(batch) for batch in sent.batches]
        readings = [_readings(batch) for batch in sent.batches]
        ours, encoded = alternately(
            rounds,
            lambda: _gateway_to_lines(folder, posted, sent),
            lambda: _bare_to_lines(folder, port, posted, "lines-encode", readings),
        )
        sent.by_bare = rounds * sent.rows
        ready = [_bare_to_lines(folder, port, posted, "lines", sent.bodies) for _ in range(rounds)]
    said = f"requests of at most {_BATCH_ROWS} lines, compressed alike, {len(sent.bodies)} a round of the bare library"
    return _figures("VictoriaMetrics", ours=ours, encoded=encoded, ready=ready, sent=sent, said=said)


def _request(rows: Sequence[SampleRow]) -> bytes:
    return gzip.compress(lines_of(rows, measurement="reading", site="bench"), GZIP_LEVEL, mtime=0)


def _gateway_to_lines(folder: Path, posted: list[Posted], sent: _Sent) -> float:
    """Samples a second of one uplink, from its first request to the answer that is the last of the backlog's."""
    posted.clear()
    last_stamp = str(sent.batches[-1][-1].utc_ms).encode()
    with _uplink(folder):
        wait_until(lambda: _place_of(last_stamp, posted) is not None, "everything at the server", look_s=0.2)
    sent.by_gateway += sum(_backlog_lines(one, int(last_stamp)) for one in posted)
    until = _place_of(last_stamp, posted)
    assert until is not None
    return _rate(posted, sent.rows, until=until)


def _bare_to_lines(
    folder: Path, port: int, posted: list[Posted], kind: str, batches: Sequence[bytes] | Sequence[Sequence[Reading]]
) -> float:
    posted.clear()
    _bare(kind, port, batches, folder)
    return _rate(posted, sum(_lines(one).count(b"\n") for one in posted), until=len(posted) - 1)


def _rate(posted: Sequence[Posted], samples: int, *, until: int) -> float:
    assert all(one.status == http.HTTPStatus.NO_CONTENT for one in posted), posted
    return samples / (posted[until].answered_s - posted[0].came_s)


def _lines(one: Posted) -> bytes:
    return gzip.decompress(one.body)


def _place_of(stamp: bytes, posted: Sequence[Posted]) -> int | None:
    """The last request with a stamp; it is among the newest, if it has come: what is read meanwhile follows it."""
    places = range(max(0, len(posted) - _LOOKED_AT), len(posted))
    return max((at for at in places if stamp in _lines(posted[at])), default=None)


def _backlog_lines(one: Posted, last_stamp: int) -> int:
    return sum(int(line.rpartition(b" ")[2]) <= last_stamp for line in _lines(one).splitlines())


def _figures(
    where: str, *, ours: Sequence[float], encoded: Sequence[float], ready: Sequence[float], sent: _Sent, said: str
) -> list[Figure]:
    return [
        Figure(
            name=f"to {where}; bare: encodes its batches",
            unit="samples/s",
            gateway=ours,
            baseline=encoded,
            goal=Goal(at_least=0.5, of="ratio"),
            work=(sent.by_gateway, sent.by_bare),
            remark=f"judged on the same work: the same readings encoded into the same form, {said};"
            " the gateway also reads, unpacks, thins and keeps its place",
        ),
        Figure(
            name=f"to {where}; bare: ready-made batches",
            unit="samples/s",
            gateway=ours,
            baseline=ready,
            remark="not judged: the same octets again, made before the clock starts, so that the library only sends",
        ),
    ]
