"""``python -m tests.bench.bare_sender KIND PORT FILE``: what the bare libraries make of the same batches.

Kinds: ``mqtt`` publishes ready-made messages with paho, QoS 1, and waits for
every acknowledgement; ``mqtt-encode`` is given readings and makes a message of
each batch, the same columns as JSON and deflated as the gateway does; ``lines``
posts ready-made requests of line protocol over one connection, ``lines-encode``
makes lines of readings and compresses them as the gateway does. Prints the seconds from the first to the last
acknowledgement; connecting is not in them.
"""

import gzip
import http.client
import json
import sys
import threading
import time
import zlib
from collections.abc import Iterable, Iterator
from operator import sub
from pathlib import Path

import msgspec
from paho.mqtt.client import Client, MQTTv5
from paho.mqtt.enums import CallbackAPIVersion

from tests.mosquitto import PATIENCE_S

WINDOW = 20  # messages under way, as the gateway has
GZIP_LEVEL = 1  # as the gateway has
DEFLATE_LEVEL = 4  # as the gateway has, and its strategy
TOPIC = "bare/history"
_WRITE = "/api/v2/write?org=site&bucket=plant&precision=ms"
_HEADERS = {"Content-Encoding": "gzip", "Content-Type": "text/plain; charset=utf-8"}
_TAKEN_FROM, _REFUSED_FROM = 200, 300

Reading = tuple[str, int, float]  # tag, stamp in milliseconds, value


def publish(port: int, bodies: Iterable[bytes]) -> float:
    """Seconds for all of them."""
    client = Client(CallbackAPIVersion.VERSION2, client_id="bare", protocol=MQTTv5)
    client.max_inflight_messages_set(WINDOW)
    connected = threading.Event()
    client.on_connect = lambda *_: connected.set()
    client.connect("127.0.0.1", port)
    client.loop_start()
    assert connected.wait(PATIENCE_S)
    began_s = time.monotonic()
    for sent in [client.publish(TOPIC, body, qos=1) for body in bodies]:
        sent.wait_for_publish(PATIENCE_S)
    took_s = time.monotonic() - began_s
    client.disconnect()
    client.loop_stop()
    return took_s


def post(port: int, bodies: Iterable[bytes]) -> float:
    """Seconds for all of them, one after the other."""
    connection = http.client.HTTPConnection("127.0.0.1", port, timeout=PATIENCE_S)
    connection.connect()
    began_s = time.monotonic()
    for body in bodies:
        connection.request("POST", _WRITE, body, _HEADERS)
        answer = connection.getresponse()
        answer.read()
        assert _TAKEN_FROM <= answer.status < _REFUSED_FROM, answer.status
    return time.monotonic() - began_s


def as_columns(batches: Iterable[list[Reading]]) -> Iterator[bytes]:
    """Messages of readings that are all good and numbered from 1 without a gap."""
    places: dict[str, int] = {}
    first_n = 1
    for batch in batches:
        stamps = [at for _, at, _ in batch]
        columns = {
            "first_n": first_n,
            "last_n": first_n + len(batch) - 1,
            "start_utc_ms": stamps[0],
            "qualities": ["good:ok"],
            "n": [0, *[1] * (len(batch) - 1)],
            "at": [0, *map(sub, stamps[1:], stamps)],
            "tag": [places.setdefault(tag, len(places)) for tag, _, _ in batch],
            "value": [int(value) if value.is_integer() else value for _, _, value in batch],
            "quality": [0] * len(batch),
        }
        deflate = zlib.compressobj(DEFLATE_LEVEL, strategy=zlib.Z_FILTERED)
        yield deflate.compress(json.dumps(columns, separators=(",", ":")).encode()) + deflate.flush()
        first_n += len(batch)


def _as_lines(batches: Iterable[list[Reading]]) -> Iterator[bytes]:
    for batch in batches:
        lines = [
            f"bare,site=bench,tag={tag} value={value!r},quality=192.0,reason=0.0 {at}\n" for tag, at, value in batch
        ]
        yield gzip.compress("".join(lines).encode(), GZIP_LEVEL, mtime=0)


def main(kind: str, port: int, file: Path) -> None:
    """Send and print."""
    content, encodes = file.read_bytes(), kind.endswith("-encode")
    if encodes:
        batches = msgspec.msgpack.decode(content, type=list[list[Reading]])
        bodies: Iterable[bytes] = as_columns(batches) if kind.startswith("mqtt") else _as_lines(batches)
    else:
        bodies = msgspec.msgpack.decode(content, type=list[bytes])
    send = publish if kind.startswith("mqtt") else post
    sys.stdout.write(f"{send(port, bodies)}\n")


if __name__ == "__main__":
    main(sys.argv[1], int(sys.argv[2]), Path(sys.argv[3]))
