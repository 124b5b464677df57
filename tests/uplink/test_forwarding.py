"""Record to broker: real Mosquitto, a field process from memory. Order, at least once, urgency, life and death."""

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import dataclass
from datetime import UTC
from pathlib import Path
from typing import Any

from gateway.configuration.schema.points import OwnTag
from gateway.local.messages import TagValue
from gateway.publishers import payload
from gateway.publishers.backoff import Backoff
from gateway.publishers.columns import tag_table, tags_parcel
from gateway.publishers.mqtt import MqttPublisher, MqttSettings
from gateway.publishers.publisher import Channel, Parcel
from gateway.uplink import allowance
from gateway.uplink.field_link import Position
from gateway.uplink.forwarding import Forwarder, Heartbeat, Notes, Pace
from gateway.uplink.picture import Picture
from gateway.uplink.process import StoredChunks, report_rules
from gateway.uplink.sending import Sender
from gateway.uplink.thinning import Thinning
from tests.acceptance.office import gaps_between
from tests.mosquitto import (
    PATIENCE_S,
    Broker,
    Heard,
    Listener,
    Relay,
    broker,
    eventually,
    listener,
    make_password_file,
)
from tests.uplink.field_stand_in import SITE, STORE, Clock, Field, PositionsInMemory, Record

POINTS = {"AIT-510": OwnTag(service="filter effluent turbidity", unit="NTU", figure="rows_waiting")}
TABLE = tag_table(POINTS, site=SITE, configuration="c0ffee")
QUICK = Pace(journal_s=10.0, history_s=10.0, live_s=5.0, held_s=20.0, reconnect_s=1.0, confirm_s=5.0)


@dataclass
class Running:
    forwarder: Forwarder
    sender: Sender
    publisher: MqttPublisher
    picture: Picture
    positions: PositionsInMemory
    heartbeat: Heartbeat
    clock: Clock


@asynccontextmanager
async def uplink(
    field: Field,
    port: int,
    positions: PositionsInMemory | None = None,
    pace: Pace = QUICK,
    *,
    month_mb: float | None = None,
    **mqtt: Any,
) -> AsyncIterator[Running]:
    clock = Clock()
    picture = Picture(clock.now)
    positions = positions if positions is not None else PositionsInMemory()
    counted = allowance.Allowance(
        month_mb=month_mb,
        zone=UTC,
        wire_bytes=lambda: publisher.wire_bytes,
        positions=positions,
        now=clock.now,
        sleep=clock.sleep,
    )
    heartbeat = Heartbeat(
        site=SITE,
        picture=picture,
        now=clock.now,
        sleep=clock.sleep,
        pace=pace,
        troubles=counted.troubles,
        used_bytes=counted.used_bytes,
    )
    settings = MqttSettings(
        host="127.0.0.1",
        port=port,
        client_id="gateway",
        topic_prefix=f"purplegate/{SITE}",
        backoff=Backoff(first_s=0.02, ceiling_s=0.1),
        **mqtt,
    )
    publisher = MqttPublisher(settings, heartbeat.last_will)
    notes = Notes(site=SITE, run=7, now=clock.now)
    sender = Sender(
        publisher, greeting=heartbeat.greeting, introduction=[tags_parcel(TABLE)], on_set_aside=notes.set_aside
    )
    await counted.keep()
    forwarder = Forwarder(
        site=SITE,
        reader="mqtt",
        connect_field=field.connect,
        open_chunk=StoredChunks(),
        table=TABLE,
        thinning=Thinning(report_rules(POINTS)),
        sender=sender,
        allowance=counted,
        picture=picture,
        positions=positions,
        notes=notes,
        now=clock.now,
        sleep=clock.sleep,
        pace=pace,
    )
    work = [
        asyncio.ensure_future(forwarder.run()),
        asyncio.ensure_future(heartbeat.run(sender, lambda: (forwarder.events.behind, forwarder.history.behind))),
        asyncio.ensure_future(keep_connected(sender, publisher)),
    ]
    try:
        yield Running(forwarder, sender, publisher, picture, positions, heartbeat, clock)
    finally:
        for task in work:
            task.cancel()
        await asyncio.wait(work)
        await publisher.close(heartbeat.farewell())


async def keep_connected(sender: Sender, publisher: MqttPublisher) -> None:
    while True:
        await sender.ready()
        await publisher.lost()


def contents(hearing: Listener, channel: str) -> list[Any]:
    return [heard.content for heard in hearing.heard if heard.channel == channel]


def identities(hearing: Listener) -> list[tuple[int, int]]:
    return [(event.run, event.n) for event in contents(hearing, "event")]


def readings(hearing: Listener) -> list[payload.SampleRow]:
    return [row for history in contents(hearing, "history") for row in hearing.reader.rows_of(history)]


def is_event(n: int) -> Any:
    return lambda heard: heard.channel == "event" and heard.content.n == n and heard.content.run > 0


def is_reading(n: int) -> Any:
    return lambda heard: heard.channel == "history" and heard.content.last_n >= n


async def hear(hearing: Listener, found: Any) -> Heard:
    return await asyncio.to_thread(hearing.until, found)


async def heard_by_now(hearing: Listener, found: Any) -> None:
    if not any(found(heard) for heard in hearing.heard):
        await hear(hearing, found)


def test_events_and_history_arrive_whole_and_in_order_and_the_positions_stand_at_the_end(tmp_path: Path) -> None:
    record = Record()
    for n in range(120):
        record.journal("trip", f"I-{n}")
    for _ in range(12):
        record.sample_chunk(40)

    async def story(port: int, hearing: Listener) -> PositionsInMemory:
        async with uplink(field := Field(record), port) as running:
            await hear(hearing, is_reading(480))
            await eventually(lambda: field.confirmed == {("mqtt", "journal"): 120, ("mqtt", "samples"): 480})
            return running.positions

    with broker(tmp_path) as running, listener(running.port) as hearing:
        positions = asyncio.run(story(running.port, hearing))
    assert identities(hearing) == [(3, n) for n in range(1, 121)]
    assert [row.n for row in readings(hearing)] == list(range(1, 481))
    assert [row.value for row in readings(hearing)[:10]] == [n % 97 / 10 for n in range(1, 10)] + [None]
    assert positions.known["mqtt", "journal"] == Position(n=120, store=STORE)
    assert positions.known["mqtt", "samples"] == Position(n=480, store=STORE)
    assert [move[2] for move in positions.moves if move[1] == "samples"] == sorted(
        move[2] for move in positions.moves if move[1] == "samples"
    )


def test_when_the_months_data_are_used_events_pass_readings_wait_and_go_on_in_the_next_month(tmp_path: Path) -> None:
    record = Record()
    for _ in range(4):
        record.sample_chunk(40)
    used = Position(n=900_000, store="2025-02")

    async def story(port: int, hearing: Listener) -> None:
        positions = PositionsInMemory()
        positions.known[allowance.READER, allowance.COUNT] = used
        async with uplink(field := Field(record), port, positions, month_mb=1.0) as running:
            await eventually(lambda: bool(field.links) and field.links[-1].watched)
            field.values(AIT_510=1.0)
            field.event(record.journal("trip", "I-01"))
            note = await hear(hearing, lambda heard: heard.channel == "event" and heard.content.kind == "uplink_held")
            assert (note.content.subject, "90% of the 1 MB" in note.content.reason) == ("samples", True)
            await heard_by_now(hearing, is_event(1))
            told = await hear(hearing, lambda heard: heard.channel == "state" and heard.content.notes)
            assert told.content.month_bytes > used.n
            assert contents(hearing, "history") == contents(hearing, "live") == []
            running.clock.leap_ms = 30 * 86_400_000
            await hear(hearing, is_reading(160))

    with broker(tmp_path) as running, listener(running.port) as hearing:
        asyncio.run(story(running.port, hearing))
    assert [row.n for row in readings(hearing)] == list(range(1, 161))


def test_alarms_come_before_history_when_both_wait(tmp_path: Path) -> None:
    record = Record()
    for n in range(60):
        record.journal("alarm", f"A-{n}")
    for _ in range(20):
        record.sample_chunk(20)

    async def story(port: int, hearing: Listener) -> None:
        async with uplink(Field(record), port):
            await hear(hearing, is_reading(1))

    with broker(tmp_path) as running, listener(running.port) as hearing:
        asyncio.run(story(running.port, hearing))
    channels = [heard.channel for heard in hearing.heard]
    assert channels[:2] == ["state", "tags"]
    assert [channel for channel in channels if channel in ("event", "history")] == ["event"] * 60 + ["history"]


def test_a_large_backlog_of_history_delays_no_live_event_and_finishes(tmp_path: Path) -> None:
    record = Record()
    for _ in range(300):
        record.sample_chunk(200)

    async def story(port: int, hearing: Listener) -> int:
        field = Field(record)
        async with Relay(port) as relay, uplink(field, relay.port):
            await hear(hearing, is_reading(1))
            before = relay.published
            field.values(AIT_510=12.7)
            field.event(record.journal("alarm", "TURBIDITY-HIGH"))
            await hear(hearing, is_event(1))
            passed = relay.published - before
            await heard_by_now(hearing, lambda heard: heard.channel == "live")
            await hear(hearing, is_reading(60_000))
            return passed

    with broker(tmp_path, "max_queued_messages 0") as running, listener(running.port) as hearing:
        passed = asyncio.run(story(running.port, hearing))
    event_at = next(at for at, heard in enumerate(hearing.heard) if heard.channel == "event")
    live_at = next(at for at, heard in enumerate(hearing.heard) if heard.channel == "live")
    histories = [at for at, heard in enumerate(hearing.heard) if heard.channel == "history"]
    assert event_at < histories[-1]
    assert live_at < histories[-1]
    assert passed < 30  # of 60: it did not wait for the end
    assert [row.n for row in readings(hearing)] == list(range(1, 60_001))


def test_a_broker_killed_in_the_middle_gets_everything_at_least_once_and_in_order(tmp_path: Path) -> None:
    record = Record()
    for n in range(400):
        record.journal("trip", f"I-{n}")
    for _ in range(60):
        record.sample_chunk(10)

    async def story(office: Broker, hearing: Listener) -> None:
        async with Relay(office.port) as relay, uplink(Field(record), relay.port, window=5) as running:
            for goal in (40, 200):
                await eventually(lambda goal=goal: running.forwarder.events.n >= goal)
                relay.answers.clear()
                await eventually(lambda: relay.published > relay.answered)
                await heard_by_now(hearing, is_event(running.forwarder.events.n))
                relay.refuses = True
                hearing.expect_new_session()
                await asyncio.to_thread(office.kill)
                relay.cut()
                await eventually(lambda: not running.publisher.connected)
                await asyncio.to_thread(office.start)
                await asyncio.to_thread(hearing.wait_subscribed)
                relay.refuses = False
                relay.answers.set()
            await heard_by_now(hearing, is_event(400))
            await hear(hearing, is_reading(600))
            assert running.publisher.connections >= 3

    with broker(tmp_path, "max_queued_messages 0") as office, listener(office.port) as hearing:
        asyncio.run(story(office, hearing))
    events = identities(hearing)
    numbers = [row.n for row in readings(hearing)]
    assert list(dict.fromkeys(events)) == [(3, n) for n in range(1, 401)]
    assert list(dict.fromkeys(numbers)) == list(range(1, 601))
    assert len(events) > 400, "some were under way at the kill, and come twice"


def test_what_the_access_list_denies_moves_no_position_and_stops_no_other_channel(tmp_path: Path) -> None:
    make_password_file(tmp_path / "passwords", gw="secret", office="other")
    acl = "user gw\ntopic write purplegate/+/state\ntopic write purplegate/+/history\nuser office\ntopic read #\n"
    (tmp_path / "acl").write_text(acl)
    record = Record()
    record.journal("alarm", "A")
    record.sample_chunk(10)

    async def story(port: int, hearing: Listener) -> PositionsInMemory:
        field = Field(record)
        async with uplink(field, port, username="gw", password="secret") as running:  # noqa: S106
            await hear(hearing, is_reading(10))
            await eventually(lambda: ("mqtt", "samples") in running.positions.known)
            asked = len([1 for stream, _ in field.asked if stream == "journal"])
            assert asked <= 2
            return running.positions

    lines = ("allow_anonymous false", f"password_file {tmp_path}/passwords", f"acl_file {tmp_path}/acl")
    with broker(tmp_path, *lines) as running:
        login = {"username": "office", "password": "other"}
        with listener(running.port, **login) as hearing:
            positions = asyncio.run(story(running.port, hearing))
    assert ("mqtt", "journal") not in positions.known
    assert positions.known["mqtt", "samples"].n == 10


def test_an_entry_above_the_bound_is_set_aside_with_a_note_and_does_not_block(tmp_path: Path) -> None:
    record = Record()
    record.journal("note", "small")
    record.journal("note", "large", reason="x" * 5_000)
    record.journal("note", "last")

    async def story(port: int, hearing: Listener) -> None:
        async with uplink(Field(record), port, message_limit_bytes=2_000):
            await hear(hearing, lambda heard: heard.channel == "event" and heard.content.kind == "uplink_set_aside")

    with broker(tmp_path) as running, listener(running.port) as hearing:
        asyncio.run(story(running.port, hearing))
    assert identities(hearing) == [(3, 1), (3, 3), (-7, 1)]
    note = contents(hearing, "event")[-1]
    assert "number 2 of run 3" in note.subject
    assert "2000" in note.reason


def test_a_position_of_another_store_starts_again_and_says_so(tmp_path: Path) -> None:
    record = Record(store="store-2")
    record.journal("start")
    record.journal("trip", "I-01")
    positions = PositionsInMemory()
    positions.known["mqtt", "journal"] = Position(n=900, store="store-1")

    async def story(port: int, hearing: Listener) -> None:
        async with uplink(Field(record), port, positions):
            await hear(hearing, lambda heard: heard.channel == "event" and heard.content.run < 0)

    with broker(tmp_path) as running, listener(running.port) as hearing:
        asyncio.run(story(running.port, hearing))
    assert identities(hearing) == [(3, 1), (3, 2), (-7, 1)]
    note = contents(hearing, "event")[-1]
    assert note.kind == "uplink_starts_again"
    assert "position 900 belongs to store store-1, this is store-2" in note.reason
    assert positions.known["mqtt", "journal"] == Position(n=2, store="store-2")


def test_a_position_beyond_the_end_starts_again_and_says_so(tmp_path: Path) -> None:
    record = Record()
    record.journal("start")
    positions = PositionsInMemory()
    positions.known["mqtt", "journal"] = Position(n=900, store=STORE)

    async def story(port: int, hearing: Listener) -> None:
        async with uplink(Field(record), port, positions):
            await hear(hearing, lambda heard: heard.channel == "event" and heard.content.run < 0)

    with broker(tmp_path) as running, listener(running.port) as hearing:
        asyncio.run(story(running.port, hearing))
    assert identities(hearing) == [(3, 1), (-7, 1)]


def test_the_state_tells_life_death_and_return_of_the_field_process(tmp_path: Path) -> None:
    record = Record()

    def state(word: str) -> Any:
        return lambda heard: heard.channel == "state" and heard.content.field == word

    async def story(port: int, hearing: Listener) -> None:
        field = Field(record)
        async with uplink(field, port):
            await eventually(lambda: bool(field.links) and field.links[-1].watched)
            field.values(AIT_510=0.7)
            await hear(hearing, state("running"))
            silent = (await hear(hearing, state("dead"))).content
            assert "no scan" in silent.reason
            assert silent.scan == 1
            field.values(AIT_510=0.7)
            await hear(hearing, state("running"))
            field.crash()
            assert "lost" in (await hear(hearing, state("dead"))).content.reason
            field.restart()
            back = (await hear(hearing, state("running"))).content
            assert back.run == 4
        farewell = await hear(hearing, lambda heard: heard.channel == "state" and not heard.content.online)
        assert farewell.content.reason == "the uplink was stopped"

    with broker(tmp_path) as running, listener(running.port) as hearing:
        asyncio.run(story(running.port, hearing))


def test_a_field_process_that_comes_back_is_read_on_from_the_position(tmp_path: Path) -> None:
    record = Record()
    record.journal("start")

    async def story(port: int, hearing: Listener) -> None:
        field = Field(record)
        async with uplink(field, port) as running:
            await hear(hearing, is_event(1))
            await eventually(lambda: ("mqtt", "journal") in running.positions.known)  # else it would come twice
            field.crash()
            field.restart()
            record.journal("start")
            await hear(hearing, is_event(2))

    with broker(tmp_path) as running, listener(running.port) as hearing:
        asyncio.run(story(running.port, hearing))
    assert identities(hearing) == [(3, 1), (4, 2)]


def test_live_values_are_coalesced_and_those_not_sent_are_sent_later(tmp_path: Path) -> None:
    async def story(port: int, hearing: Listener) -> None:
        field = Field(Record())
        async with Relay(port) as relay, uplink(field, relay.port) as running:
            await eventually(lambda: bool(field.links) and field.links[-1].watched and running.publisher.connected)
            for value in (1.0, 2.0, 3.0):
                field.values(AIT_510=value)
            first = (await hear(hearing, lambda heard: heard.channel == "live")).content
            assert [(r.tag, r.value, r.n) for r in first.readings] == [("AIT-510", 3.0, 3)]
            relay.answers.clear()
            field.values(AIT_510=4.0)
            await eventually(lambda: relay.published > relay.answered)
            field.values(AIT_801=None)
            relay.cut()
            relay.answers.set()
            last = (await hear(hearing, lambda h: h.channel == "live" and len(h.content.readings) == 2)).content
            assert {(r.tag, r.value, r.quality) for r in last.readings} == {
                ("AIT-510", 4.0, "good"),
                ("AIT-801", None, "bad"),
            }

    with broker(tmp_path) as running, listener(running.port) as hearing:
        asyncio.run(story(running.port, hearing))


def test_an_event_that_is_not_committed_yet_is_looked_for_again(tmp_path: Path) -> None:
    record = Record()

    async def story(port: int, hearing: Listener) -> None:
        field = Field(record)
        async with uplink(field, port, pace=Pace(journal_s=PATIENCE_S * 50 * 10)):
            await eventually(lambda: bool(field.links) and field.links[-1].watched)
            await eventually(lambda: ("journal", 0) in field.asked)
            entry = record.journal("trip", "I-01")
            record.entries.clear()
            field.event(entry)
            asked = len(field.asked)
            await eventually(lambda: len(field.asked) > asked + 1)
            record.entries.append(entry)
            await hear(hearing, is_event(1))

    with broker(tmp_path) as running, listener(running.port) as hearing:
        asyncio.run(story(running.port, hearing))


def test_what_the_broker_drops_for_a_historian_that_is_away_is_seen_as_missing_ranges(tmp_path: Path) -> None:
    """Trap 11: the broker acknowledges all of it, keeps a little, and the newest are gone without a word."""
    record = Record()
    for _ in range(40):
        record.sample_chunk(40)

    async def story(port: int) -> None:
        async with uplink(plant := Field(record), port, message_limit_bytes=1_000):
            await eventually(lambda: plant.confirmed.get(("mqtt", "samples")) == 1_600)

    async def mark(port: int) -> None:
        publisher = MqttPublisher(MqttSettings(host="127.0.0.1", port=port, client_id="end", topic_prefix="end"))
        await publisher.connect()
        await publisher.deliver([Parcel(channel=Channel.EVENT, body=b"{}", content_type="text/plain")])
        await publisher.close()

    with broker(tmp_path, "max_queued_messages 5", "max_inflight_messages 5") as running:
        with listener(running.port):
            pass  # its session stays at the broker
        asyncio.run(story(running.port))
        with listener(running.port) as hearing:
            asyncio.run(mark(running.port))
            hearing.until(lambda heard: heard.topic == "end/event")
    histories = contents(hearing, "history")
    answered = [(history.first_n, history.last_n) for history in histories]
    missing = {n for gap in gaps_between([*answered, (1_601, 1_601)]) for n in numbers_of(gap)}
    heard = {n for first, last in answered for n in range(first, last + 1)}
    assert missing
    assert missing | heard == set(range(1, 1_601))
    assert not missing & {row.n for row in readings(hearing)}


def numbers_of(gap: str) -> range:
    first, _, last = gap.partition(" to ")
    return range(int(first), int(last) + 1)


def test_a_tag_value_is_told_as_it_is() -> None:
    told = payload.reading_of(TagValue(tag="A", quality="uncertain", reason="over_range", value=20.0, utc_ms=5, n=9))
    assert (told.tag, told.quality, told.reason, told.value, told.at_utc_ms, told.n) == (
        "A", "uncertain", "over_range", 20.0, 5, 9,
    )  # fmt: skip
