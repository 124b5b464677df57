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
        doubles: how often something came again, by kind.
        faults: what could not be read, or does not fit the published schema.
    """

    def __init__(self, port: int) -> None:
        self.states: list[dict[str, Any]] = []
        self.events: dict[Identity, dict[str, Any]] = {}
        self.notes: dict[Identity, dict[str, Any]] = {}
        self.messages: list[dict[str, Any]] = []
        self.readings: dict[Identity, Reading] = {}
        self.doubles: Counter[str] = Counter()
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
            content = _content(message)
            kind = message.topic.rsplit("/", 1)[-1]
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
                self.doubles[kind] += identity in kept
                kept[identity] = content
            case "message":
                identity = (content["run"], content["n"])
                known = {(m["run"], m["n"]) for m in self.messages if m["message"] == content["message"]}
                self.doubles[kind] += identity in known
                self.messages.append(content)
            case "history":
                for n, reading in _readings(content):
                    self.doubles[kind] += (content["run"], n) in self.readings
                    self.readings[content["run"], n] = reading
            case "live":
                pass  # newest values: only the last one counts, and saying it twice is no double
            case other:
                self.faults.append(f"a message on the unknown channel {other}")


def _content(message: MQTTMessage) -> dict[str, Any]:
    body = bytes(message.payload)
    if str(getattr(message.properties, "ContentType", "")).endswith("+zlib"):
        body = zlib.decompress(body)
    content: dict[str, Any] = json.loads(body)
    return content


def _readings(content: dict[str, Any]) -> Iterator[tuple[int, Reading]]:
    numbers = itertools.islice(itertools.accumulate(content["n"], initial=content["first_n"]), 1, None)
    stamps = itertools.islice(itertools.accumulate(content["at"], initial=content["start_utc_ms"]), 1, None)
    columns = zip(numbers, stamps, content["tag"], content["value"], content["quality"], strict=True)
    for n, utc_ms, tag, value, quality in columns:
        yield n, Reading(content["tags"][tag], utc_ms, value, content["qualities"][quality])


def gaps(identities: Iterable[Identity]) -> list[str]:
    """Numbers that are missing between the first and the last; journal and samples number on over all runs."""
    numbers = sorted(n for _, n in identities)
    between = itertools.pairwise([0, *numbers])
    return [f"{before + 1} to {n - 1}" for before, n in between if n != before + 1]


@contextlib.contextmanager
def open_office(port: int) -> Iterator[Office]:
    """The office, subscribed before anything is published."""
    office = Office(port)
    try:
        yield office
    finally:
        office.close()
