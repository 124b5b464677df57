"""The stand-in for the district office, against a real MQTT 5 client."""

import contextlib
import json
import queue
import signal
import socket
from collections.abc import Iterator
from pathlib import Path

import pytest
from paho.mqtt.client import Client, MQTTv5
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from gateway.configuration.schema.points import OwnTag
from gateway.publishers.columns import Batch, history_parcels, tag_table, tags_parcel
from gateway.publishers.payload import SampleRow
from simulator.office import Heard, Office, OfficeError, identities_of, read_record

_TIMEOUT_S = 10.0


@contextlib.contextmanager
def sender(port: int) -> Iterator[Client]:
    client = Client(CallbackAPIVersion.VERSION2, client_id="test-site", protocol=MQTTv5)
    client.connect("127.0.0.1", port)
    client.loop_start()
    try:
        yield client
    finally:
        client.disconnect()
        client.loop_stop()


def send(client: Client, topic: str, content: object, *, content_type: str = "application/json") -> None:
    payload = content if isinstance(content, bytes) else json.dumps(content)
    properties = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]  # the library leaves it untyped
    properties.ContentType = content_type
    client.publish(topic, payload, qos=1, properties=properties).wait_for_publish(_TIMEOUT_S)


def children() -> set[int]:
    found: set[int] = set()
    for task in Path("/proc/self/task").iterdir():
        found |= {int(pid) for pid in (task / "children").read_text().split()}
    return found


def test_a_message_of_qos_1_under_mqtt_5_is_heard_and_written_down(tmp_path: Path) -> None:
    heard: queue.Queue[Heard] = queue.Queue()
    with Office(folder=tmp_path, on_heard=heard.put, now_utc_ms=lambda: 1_740_560_400_000) as office:
        with sender(office.port) as client:
            send(client, "purplegate/marrowfell/events", {"site": "marrowfell", "run": 1, "n": 7})
        message = heard.get(timeout=_TIMEOUT_S)
    assert message.topic == "purplegate/marrowfell/events"
    assert message.content == {"site": "marrowfell", "run": 1, "n": 7}
    assert (message.qos, message.retained, message.double) == (1, False, False)
    assert list(read_record(office.record_path)) == [
        {
            "received_utc_ms": 1_740_560_400_000,
            "topic": "purplegate/marrowfell/events",
            "qos": 1,
            "retained": False,
            "double": False,
            "content": {"site": "marrowfell", "run": 1, "n": 7},
        }
    ]


def event(*, run: int, n: int) -> dict[str, object]:
    return {"schema": "purplegate.event/1", "site": "m", "run": run, "n": n, "kind": "alarm"}


def test_the_same_event_again_is_told_as_a_double_and_others_are_not(tmp_path: Path) -> None:
    heard: queue.Queue[Heard] = queue.Queue()
    with Office(folder=tmp_path, on_heard=heard.put) as office, sender(office.port) as client:
        for run, n in ((1, 7), (1, 8), (1, 7), (2, 7)):
            send(client, "purplegate/m/event", event(run=run, n=n))
        doubles = [heard.get(timeout=_TIMEOUT_S).double for _ in range(4)]
    assert doubles == [False, False, True, False]
    assert (office.messages, office.records, office.doubles) == (4, 3, 1)


def test_the_gateways_own_payloads_are_read_and_counted_reading_by_reading(tmp_path: Path) -> None:
    heard: queue.Queue[Heard] = queue.Queue()
    rows = [SampleRow(n=n, tag="AIT-510", utc_ms=1_740_560_400_000 + n, value=0.71) for n in (3, 4, 9)]
    points = {"AIT-510": OwnTag(service="turbidity", unit="NTU", figure="rows_waiting")}
    table = tag_table(points, site="m", configuration="c")
    with Office(folder=tmp_path, on_heard=heard.put) as office, sender(office.port) as client:
        parcels = [tags_parcel(table)]
        for part, first_n, last_n in ((rows[:2], 1, 4), (rows[2:], 9, 12), (rows[1:], 4, 9), (rows, 1, 9)):
            batch = Batch(rows=part, run=1, configuration="c", first_n=first_n, last_n=last_n)
            parcels += [parcel for _, parcel in history_parcels(batch, table, limit_bytes=60_000)]
        missing = []
        for parcel in parcels:
            send(client, "purplegate/m/history", parcel.body, content_type=parcel.content_type)
            missing.append((heard.get(timeout=_TIMEOUT_S).double, office.missing))
    assert missing == [(False, 0), (False, 0), (False, 4), (True, 0), (True, 0)]
    assert (office.records, office.doubles) == (3, 5)


def test_newest_values_and_states_are_never_doubles() -> None:
    assert identities_of({"schema": "purplegate.state/1", "site": "m", "run": 1}) == ()
    assert identities_of({"schema": "purplegate.live/2", "site": "m", "run": 1, "readings": [{"n": 4}]}) == ()
    assert identities_of("offline") == ()


def test_two_texts_about_one_alarm_are_two() -> None:
    text = {"schema": "purplegate.message/1", "site": "m", "run": 1, "n": 4}
    assert identities_of(text | {"message": 1}) != identities_of(text | {"message": 2})


def test_rubbish_is_written_down_as_it_came(tmp_path: Path) -> None:
    heard: queue.Queue[Heard] = queue.Queue()
    with Office(folder=tmp_path, on_heard=heard.put) as office, sender(office.port) as client:
        send(client, "purplegate/m/events", b"\xff\x00{")
        assert heard.get(timeout=_TIMEOUT_S).content is None
    assert next(read_record(office.record_path))["payload_base64"] == "/wB7"


def test_messages_outside_the_topic_root_are_not_heard(tmp_path: Path) -> None:
    heard: queue.Queue[Heard] = queue.Queue()
    with Office(folder=tmp_path, on_heard=heard.put) as office, sender(office.port) as client:
        send(client, "elsewhere/m/events", {"run": 1, "n": 1})
        send(client, "purplegate/m/events", {"run": 1, "n": 2})
        assert heard.get(timeout=_TIMEOUT_S).content == {"run": 1, "n": 2}
    assert office.messages == 1


def test_a_listener_that_raises_does_not_end_the_listening_and_stop_reports_it(tmp_path: Path) -> None:
    heard: queue.Queue[Heard] = queue.Queue()

    def stumble(message: Heard) -> None:
        heard.put(message)
        if message.content == "first":
            raise ZeroDivisionError

    office = Office(folder=tmp_path, on_heard=stumble)
    office.start()
    with sender(office.port) as client:
        send(client, "purplegate/m/events", "first")
        send(client, "purplegate/m/events", "second")
        assert [heard.get(timeout=_TIMEOUT_S).content for _ in range(2)] == ["first", "second"]
    with pytest.raises(OfficeError, match="ZeroDivisionError"):
        office.stop()


def test_stop_leaves_no_process_and_frees_the_port(tmp_path: Path) -> None:
    before = children()
    office = Office(folder=tmp_path)
    office.start()
    assert len(children() - before) == 1
    office.stop()
    office.stop()
    assert children() == before
    with socket.socket() as probe:
        assert probe.connect_ex(("127.0.0.1", office.port)) != 0


def test_ctrl_c_does_not_reach_the_broker(tmp_path: Path) -> None:
    before = children()
    with Office(folder=tmp_path):
        (broker,) = children() - before
        status = Path(f"/proc/{broker}/status").read_text()
    blocked = next(int(line.split()[1], 16) for line in status.splitlines() if line.startswith("SigBlk"))
    assert blocked & 1 << (signal.SIGINT - 1)
