"""The district office of a test: a subscriber of the real broker that keeps everything and counts gaps and doubles.

It reads the messages as a receiver would who has nothing but their
description: JSON, deflated where the content type says so, told apart by site,
run and n. It does not use the sender's code, and it checks what it hears
against the published schema.
"""

import contextlib
import itertools
import json
import threading
import zlib
from collections import Counter
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import jsonschema
from paho.mqtt.client import Client, ConnectFlags, MQTTMessage, MQTTv5
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

import gateway.publishers

PATIENCE_S = 20.0
SCHEMA = Path(gateway.publishers.__file__).with_name("payload_schema.json")

Identity = tuple[int, int]  # run and n


@dataclass(frozen=True, slots=True)
class Reading:
    """One reading of the history."""

    tag: str
    utc_ms: int
    value: float | None
    quality: str


class Office:
    """Everything that was heard, by identity.

    Attributes:
        states: retained states and wills, in order of arrival.
        events: the field process's journal.
        notes: the uplink's own events (their runs are negative).
        messages: texts for people, in order of arrival, doubles included.
        readings: the history.
        tags: what the newest table says of each tag.
        answered: ranges of numbers of readings that a message answered for, sent or held back, in order of arrival.
        doubles: how often something came again, by kind.
        doubled_utc_ms: when what came again had been recorded, in order of arrival.
        faults: what could not be read, or does not fit the published schema.
    """

    def __init__(self, port: int) -> None:
        self.states: list[dict[str, Any]] = []
        self.events: dict[Identity, dict[str, Any]] = {}
        self.notes: dict[Identity, dict[str, Any]] = {}
        self.messages: list[dict[str, Any]] = []
        self.readings: dict[Identity, Reading] = {}
        self.answered: list[tuple[int, int]] = []
        self.tags: dict[str, dict[str, Any]] = {}
        self._tags: dict[str, list[str]] = {}
        self._patterns: dict[int, bytes] = {}
        self.doubles: Counter[str] = Counter()
        self.doubled_utc_ms: list[int] = []
        self.faults: list[str] = []
        schema = json.loads(SCHEMA.read_text(encoding="utf-8"))
        self._schema: Any = jsonschema.Draft202012Validator(schema)
        self._checked: Counter[str] = Counter()
        self._subscribed = threading.Event()
        client = Client(CallbackAPIVersion.VERSION2, client_id="office", protocol=MQTTv5)
        client.on_connect = self._on_connect
        client.on_subscribe = lambda *_: self._subscribed.set()
        client.on_message = self._on_message
        client.connect("127.0.0.1", port, 30)
        client.loop_start()
        self._client = client
        if not self._subscribed.wait(PATIENCE_S):
            raise TimeoutError("the broker did not confirm the subscription")

    def close(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()

    def texts(self, alarm: str) -> list[str]:
        """First parts of the messages about an alarm."""
        return [message["text"] for message in self.messages if message["alarm"] == alarm]

    def _on_connect(self, client: Client, _u: Any, _f: ConnectFlags, _r: ReasonCode, _p: Properties | None) -> None:
        client.subscribe("purplegate/#", qos=1)

    def _on_message(self, _client: Client, _user: Any, message: MQTTMessage) -> None:
        try:
            content = self._content(message)
            kind = str(content["schema"]).partition("/")[0].rpartition(".")[2]
            if not message.topic.endswith({"tags": "/history"}.get(kind, f"/{kind}")):
                self.faults.append(f"{kind} on {message.topic}")
            self._check(kind, content)
            self._take(kind, content)
        except Exception as fault:  # noqa: BLE001 - raised here it would end the client's thread without a word
            self.faults.append(f"{message.topic}: {fault!r}")

    def _check(self, kind: str, content: dict[str, Any]) -> None:
        """Against the schema: every event, text and state, and the first of the large ones."""
        self._checked[kind] += 1
        if kind in {"event", "message", "state"} or self._checked[kind] == 1:
            self.faults.extend(f"{kind}: {fault.message}" for fault in self._schema.iter_errors(content))

    def _take(self, kind: str, content: dict[str, Any]) -> None:
        match kind:
            case "state":
                self.states.append(content)
            case "event":
                kept = self.events if content["run"] > 0 else self.notes
                identity = (content["run"], content["n"])
                self._count(kind, content["at_utc_ms"], again=identity in kept)
                kept[identity] = content
            case "message":
                identity = (content["run"], content["n"])
                known = {(m["run"], m["n"]) for m in self.messages if m["message"] == content["message"]}
                self._count(kind, content["at_utc_ms"], again=identity in known)
                self.messages.append(content)
            case "tags":
                self._tags[content["table"]] = [line["tag"] for line in content["tags"]]
                self.tags = {line["tag"]: line for line in content["tags"]}
                self._patterns[zlib.adler32(content["pattern"].encode())] = content["pattern"].encode()
            case "history":
                self.answered.append((content["first_n"], content["last_n"]))
                for n, reading in _readings(content, self._tags[content["table"]]):
                    self._count(kind, reading.utc_ms, again=(content["run"], n) in self.readings)
                    self.readings[content["run"], n] = reading
            case "live":
                pass  # newest values: only the last one counts, and saying it twice is no double
            case other:
                self.faults.append(f"a message on the unknown channel {other}")

    def _count(self, kind: str, utc_ms: int, *, again: bool) -> None:
        if again:
            self.doubles[kind] += 1
            self.doubled_utc_ms.append(utc_ms)

    def _content(self, message: MQTTMessage) -> dict[str, Any]:
        body = bytes(message.payload)
        if str(getattr(message.properties, "ContentType", "")).endswith("+zlib"):
            preset = body[1] & 0x20  # RFC 1950: FDICT; the next four octets say which dictionary
            inflate = (
                zlib.decompressobj(zdict=self._patterns[int.from_bytes(body[2:6], "big")])
                if preset
                else zlib.decompressobj()
            )
            body = inflate.decompress(body)
        content: dict[str, Any] = json.loads(body)
        return content


def _readings(content: dict[str, Any], tags: list[str]) -> Iterator[tuple[int, Reading]]:
    tags = [*tags, *content["more_tags"]]
    numbers = itertools.islice(itertools.accumulate(content["n"], initial=content["first_n"]), 1, None)
    stamps = itertools.islice(itertools.accumulate(content["at"], initial=content["start_utc_ms"]), 1, None)
    columns = zip(numbers, stamps, content["tag"], content["value"], content["quality"], strict=True)
    for n, utc_ms, tag, value, quality in columns:
        yield n, Reading(tags[tag], utc_ms, value, content["qualities"][quality])


def gaps(identities: Iterable[Identity]) -> list[str]:
    """Numbers that are missing between the first and the last; journal and samples number on over all runs."""
    numbers = sorted(n for _, n in identities)
    between = itertools.pairwise([0, *numbers])
    return [f"{before + 1} to {n - 1}" for before, n in between if n != before + 1]


def gaps_between(ranges: Iterable[tuple[int, int]]) -> list[str]:
    """Numbers of readings that no message answered for, from 1 on."""
    missing, next_n = [], 1
    for first, last in sorted(ranges):
        if first > next_n:
            missing.append(f"{next_n} to {first - 1}")
        next_n = max(next_n, last + 1)
    return missing


def last_answered(ranges: Iterable[tuple[int, int]]) -> int:
    """The last number that a message answered for; 0 for none."""
    return max((last for _, last in ranges), default=0)


@contextlib.contextmanager
def open_office(port: int) -> Iterator[Office]:
    """The office, subscribed before anything is published."""
    office = Office(port)
    try:
        yield office
    finally:
        office.close()
