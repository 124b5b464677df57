"""How long a request takes on a line, how busy the line is, and how old a reading becomes with one device dead."""

from typing import Any

import pytest

from gateway.configuration.line_load import line_loads, request_s
from gateway.configuration.poll_plan import Block, PlannedBlock, Table
from gateway.configuration.schema import Connection, Device, NetworkConnection, SerialConnection, Site, SiteKeys, Tag


def serial(**keys: Any) -> SerialConnection:
    return SerialConnection(transport="rtu", device="/dev/ttyS1", **keys)


def network(**keys: Any) -> NetworkConnection:
    return NetworkConnection(**{"transport": "rtu_over_tcp", "host": "127.0.0.1", **keys})


def device(**keys: Any) -> Device:
    return Device(**{"service": "a device", "connection": "L1", "unit_id": 1, "reply_s": 0.0, **keys})


def tag(address: int, **keys: Any) -> Tag:
    usual = {"service": "a tag", "device": "A", "table": "holding", "type": "uint16", "poll_interval_s": 5.0}
    return Tag(**{**usual, "address": address, **keys})


def site(connection: Connection, devices: dict[str, Device], tags: dict[str, Tag]) -> Site:
    keys = SiteKeys(id="lines", name="lines", time_zone="CET")
    return Site(site=keys, connections={"L1": connection}, devices=devices, tags=tags)


def read(count: int, table: Table = Table.HOLDING) -> PlannedBlock:
    block = Block(unit_id=1, table=table, address=0, count=count)
    return PlannedBlock(block=block, interval_ms=5_000, hurried_ms=5_000, slots=())


# Modbus over Serial Line V1.02, 2.5.1: request 8 bytes; reply 5 bytes and the data; 3.5 characters after each frame.
@pytest.mark.parametrize(
    ("connection", "planned", "expected_s"),
    [
        (serial(), read(10), (8 + 5 + 20 + 7) * 11 / 9_600),
        (serial(parity="none"), read(10), (8 + 5 + 20 + 7) * 10 / 9_600),
        (serial(parity="none", stop_bits=2), read(10), (8 + 5 + 20 + 7) * 11 / 9_600),
        (serial(baud_rate=19_200), read(125), (8 + 5 + 250 + 7) * 11 / 19_200),
        (serial(baud_rate=38_400), read(10), (8 + 5 + 20) * 11 / 38_400 + 2 * 0.001_75),
        (serial(), read(17, Table.DISCRETE), (8 + 5 + 3 + 7) * 11 / 9_600),
        (network(line_baud_rate=9_600), read(10), (8 + 5 + 20 + 7) * 11 / 9_600),
        (network(), read(10), 0.0),
        (network(transport="tcp"), read(10), 0.0),
    ],
)
def test_a_request_takes_the_time_of_its_characters(
    connection: Connection, planned: PlannedBlock, expected_s: float
) -> None:
    assert request_s(planned, device(), connection) == pytest.approx(expected_s)


def test_the_device_thinks_and_the_longer_of_the_two_pauses_is_kept() -> None:
    slow = device(reply_s=0.1, pause_s=0.05)
    assert request_s(read(1), slow, network(pause_s=0.01)) == pytest.approx(0.15)
    assert request_s(read(1), slow, network(pause_s=0.2)) == pytest.approx(0.3)


def test_each_pace_has_its_share_and_they_add_up() -> None:
    devices = {"A": device(reply_s=0.5)}
    tags = {"FAST": tag(0), "FAST-2": tag(100), "SLOW": tag(200, poll_interval_s=20.0, type="float32")}
    (load,) = line_loads(site(network(), devices, tags))
    assert [(c.interval_s, c.requests, c.words, c.round_s) for c in load.classes] == [(5, 2, 2, 1.0), (20, 1, 2, 0.5)]
    assert load.busy == pytest.approx(1.0 / 5 + 0.5 / 20)
    assert load.requests_per_s == pytest.approx(2 / 5 + 1 / 20)


def test_the_longest_cycle_is_one_attempt_at_the_dead_device_and_one_request_of_all_others() -> None:
    devices = {"A": device(reply_s=0.1), "B": device(unit_id=2, reply_s=0.2), "C": device(unit_id=3, reply_s=0.4)}
    tags = {name: tag(0, device=name) for name in devices}
    (load,) = line_loads(site(network(reply_timeout_s=2.0, quiet_after_timeout_s=0.5), devices, tags))
    assert load.dead == "A"  # the one whose own requests are missed least
    assert load.cycle_s == pytest.approx(2.5 + 0.2 + 0.4)
    assert load.age_s == pytest.approx(5 + load.cycle_s)
    assert (load.tightest, load.stale_s) == ("B", 15)


def test_the_tag_with_the_least_time_left_is_named_not_the_one_with_the_shortest_limit() -> None:
    devices = {"A": device(), "B": device(unit_id=2)}
    tags = {
        "SHORT": tag(0, poll_interval_s=1.0, stale_after_s=9.0),
        "TIGHT": tag(50, stale_after_s=11.0, poll_interval_s=5.0),
    }
    (load,) = line_loads(site(network(), devices, {**tags, "OTHER": tag(0, device="B", stale_after_s=100.0)}))
    assert load.tightest == "TIGHT"


def test_a_device_alone_on_its_line_waits_for_nobody_dead() -> None:
    (load,) = line_loads(site(network(), {"A": device(reply_s=0.1)}, {"X": tag(0), "Y": tag(100)}))
    assert load.dead == ""
    assert load.cycle_s == pytest.approx(0.2)


def test_a_line_that_nothing_is_asked_on_or_whose_plan_cannot_be_made_has_no_load() -> None:
    assert line_loads(site(network(), {"A": device()}, {})) == ()
    assert line_loads(site(network(), {"A": device(longest_read=1)}, {"X": tag(0, type="float64")})) == ()
