"""Which alarms people are told of, when, and what the text says the plant did. The clock is moved by hand."""

import asyncio
from collections.abc import AsyncIterator, Sequence
from contextlib import asynccontextmanager
from dataclasses import dataclass, replace
from typing import Any
from zoneinfo import ZoneInfo

from gateway.core.output import OutputRule
from gateway.field.clock import ManualClock
from gateway.local.messages import JournalEntry
from gateway.publishers import payload
from gateway.publishers.alarm_message import AlarmCard, Nature
from gateway.publishers.columns import Reader
from gateway.publishers.publisher import Accepted, Outcome, Parcel, Refused
from gateway.uplink.calling import Addressee, Calling
from gateway.uplink.field_link import Position
from gateway.uplink.forwarding import Notes
from gateway.uplink.picture import Picture
from gateway.uplink.process import StoredChunks
from gateway.uplink.sending import Sender
from tests.uplink.field_stand_in import SITE, START_UTC_MS, STORE, Field, PositionsInMemory, Record

PRODUCT = OutputRule(
    id="product",
    register_tag="GW-PERMIT",
    codes={"permitted": 42_405, "withdrawn": 0},
    safe_level="withdrawn",
    normal_level="permitted",
    proof_tag="ZSC-901",
)
FEED = OutputRule(
    id="feed", register_tag="GW-FEED", codes={"idle": 0, "stop": 13_107}, safe_level="stop", normal_level="idle",
    permit=False,
)  # fmt: skip
SUPPLY = replace(FEED, id="supply", register_tag="GW-DELIV")
CLOUDY = AlarmCard(
    alarm="TURBIDITY-HIGH",
    priority="P1",
    nature=Nature.LIMIT,
    says="filter water cloudy",
    cause="a filter",
    consequence="no water",
    action="Look at the filters",
    respond_within_min=60,
    value_tag="AIT-510",
    unit="NTU",
    limits=(10.0, 5.0),
    stops=True,
)
CARDS = {
    card.alarm: card
    for card in (
        CLOUDY,
        replace(CLOUDY, alarm="TURBIDITY-UNKNOWN", nature=Nature.UNTRUSTED, says="turbidity cannot be trusted"),
        replace(CLOUDY, alarm="VALVE-STUCK", nature=Nature.UNMOVED, says="valve did not move", limits=(), stops=False),
        replace(CLOUDY, alarm="TANK-LOW", priority="P2", says="tank low", limits=(), nature=Nature.STATE, stops=False),
        replace(CLOUDY, alarm="REAGENT-LOW", priority="P3", stops=False),
    )
}  # fmt: skip


class Office:
    """A publisher that takes everything, or refuses messages as long as ``refuses`` is set."""

    limit_bytes = 60_000
    wire_bytes = 0
    connections = 1

    def __init__(self) -> None:
        self.messages: list[payload.Message] = []
        self.refuses = False
        self.reached = asyncio.Event()
        self.reached.set()

    @property
    def connected(self) -> bool:
        return self.reached.is_set()

    async def connect(self) -> None:
        await self.reached.wait()

    async def lost(self) -> str:
        return ""

    async def deliver(self, batch: Sequence[Parcel]) -> tuple[Outcome, ...]:
        await asyncio.sleep(0)
        contents = [Reader().decode(parcel.body) for parcel in batch]
        if self.refuses and any(isinstance(content, payload.Message) for content in contents):
            return tuple(Refused(reason="Not authorized", code=0x87) for _ in batch)
        self.messages += [content for content in contents if isinstance(content, payload.Message)]
        return tuple(Accepted() for _ in batch)

    async def close(self, farewell: Parcel | None = None) -> None:
        assert farewell is None


@dataclass
class Site:
    clock: ManualClock
    office: Office
    field: Field
    picture: Picture
    calling: Calling
    positions: PositionsInMemory

    def alarm(self, subject: str, **other: Any) -> JournalEntry:
        """An alarm now, heard live."""
        entry = self.record(subject, **other)
        self.calling.hear(entry)
        return entry

    def record(self, subject: str, **other: Any) -> JournalEntry:
        now = self.clock.now()
        given = {"utc_ms": now.utc_ms, "monotonic_ms": now.monotonic_ms, "occurrence": 1, **other}
        return self.field.record.journal("alarm", subject, **given)

    def level(self, output: str, level: str) -> None:
        self.field.stand(output, level)

    async def nothing_heard(self) -> None:
        await self.clock.settle()
        assert self.office.messages == []

    async def heard(self, count: int) -> payload.Message:
        await self.clock.settle()
        assert len(self.office.messages) == count, [message.text for message in self.office.messages]
        return self.office.messages[-1]


@asynccontextmanager
async def site(positions: PositionsInMemory | None = None) -> AsyncIterator[Site]:
    clock = ManualClock(1_000_000, utc_ms=START_UTC_MS)
    picture, office, kept = Picture(clock.now), Office(), positions or PositionsInMemory()
    sender = Sender(office, greeting=lambda: payload.state_parcel(payload.State(site="m", at_utc_ms=0, online=True, field="")))  # fmt: skip  # noqa: E501
    calling = Calling(
        addressee=Addressee(site=SITE, name="marrowfell", zone=ZoneInfo("CET")),
        cards=CARDS,
        outputs=(PRODUCT, FEED, SUPPLY),
        picture=picture,
        sender=sender,
        positions=kept,
        notes=Notes(site=SITE, run=1, now=clock.now),
        open_chunk=StoredChunks(),
        now=clock.now,
        sleep=clock.sleep,
    )
    field = Field(Record())
    link = await field.connect()
    picture.link_up(link.hello)

    async def feed() -> None:
        async for news in link.watch():
            picture.take(news)

    tasks = [asyncio.ensure_future(feed()), asyncio.ensure_future(calling.run())]
    field.values(AIT_510=12.7, ZSC_901=0.0)
    field.stand("product", "permitted")
    picture.take_status(field.status())
    await clock.settle()
    try:
        yield Site(clock, office, field, picture, calling, kept)
    finally:
        for task in tasks:
            task.cancel()
        await asyncio.wait(tasks)


def test_a_trip_is_told_once_the_valve_is_proven() -> None:
    async def story() -> None:
        async with site() as plant:
            plant.alarm("TURBIDITY-HIGH")
            plant.level("product", "withdrawn")
            await plant.clock.run_for(11_000)
            await plant.nothing_heard()
            plant.field.values(ZSC_901=1.0)
            await plant.clock.run_for(1_000)
            message = await plant.heard(1)
            assert message.text == (
                "MARROWFELL P1 #1/1 Wed 10:31: filter water cloudy 12.7 NTU (limit 10)."
                " Delivery stopped, valve proven at divert. Look at the filters."
            )
            assert (message.diversion, message.nature, message.event) == ("proven", "limit", 1)

    asyncio.run(story())


def test_the_value_told_is_the_one_at_the_alarm_not_the_one_at_the_proof() -> None:
    async def story() -> None:
        async with site() as plant:
            plant.alarm("TURBIDITY-HIGH")
            plant.level("product", "withdrawn")
            await plant.clock.run_for(5_000)
            plant.field.values(AIT_510=3.0, ZSC_901=1.0)
            await plant.clock.run_for(1_000)
            assert "12.7 NTU" in (await plant.heard(1)).text

    asyncio.run(story())


def test_what_people_have_put_aside_is_in_the_message() -> None:
    async def story() -> None:
        async with site() as plant:
            plant.alarm("TURBIDITY-HIGH", facts={"put_aside": "I-07 bypassed by VISITOR-OP for 14 min more"})
            plant.level("product", "withdrawn")
            plant.field.values(ZSC_901=1.0)
            await plant.clock.run_for(5_000)
            assert "I-07 bypassed by VISITOR-OP for 14 min more" in (await plant.heard(1)).more

    asyncio.run(story())


def test_without_a_proof_it_is_told_after_forty_seconds_as_not_proven_yet() -> None:
    async def story() -> None:
        async with site() as plant:
            plant.alarm("TURBIDITY-HIGH")
            plant.level("product", "withdrawn")
            await plant.clock.run_for(39_000)
            await plant.nothing_heard()
            await plant.clock.run_for(1_000)
            message = await plant.heard(1)
            assert "Divert commanded, not proven yet." in message.text
            assert message.diversion == "commanded"

    asyncio.run(story())


def test_a_valve_that_did_not_move_is_told_at_once_with_what_was_stopped() -> None:
    async def story() -> None:
        async with site() as plant:
            plant.level("product", "withdrawn")
            await plant.clock.run_for(30_000)
            plant.alarm("VALVE-STUCK")
            plant.level("feed", "stop")
            plant.level("supply", "stop")
            await plant.clock.run_for(500)
            message = await plant.heard(1)
            assert "valve did not move. Divert commanded, NOT PROVEN; feed and supply stopped." in message.text

    asyncio.run(story())


def test_a_value_that_cannot_be_trusted_is_told_without_a_figure_and_with_the_reason() -> None:
    async def story() -> None:
        async with site() as plant:
            plant.field.values(AIT_510=None, ZSC_901=1.0)
            await plant.clock.settle()
            plant.alarm("TURBIDITY-UNKNOWN")
            plant.level("product", "withdrawn")
            await plant.clock.run_for(1_000)
            message = await plant.heard(1)
            assert "turbidity cannot be trusted. Delivery stopped" in message.text
            assert "NTU" not in message.text
            assert "no sample flow" in message.more

    asyncio.run(story())


def test_an_alarm_that_stops_nothing_says_that_delivery_goes_on() -> None:
    async def story() -> None:
        async with site() as plant:
            plant.alarm("TANK-LOW")
            await plant.clock.run_for(2_000)
            message = await plant.heard(1)
            assert "MARROWFELL P2 #1/1" in message.text
            assert "Delivery goes on." in message.text

    asyncio.run(story())


def test_nobody_is_called_for_p3() -> None:
    async def story() -> None:
        async with site() as plant:
            plant.alarm("REAGENT-LOW")
            await plant.clock.run_for(60_000)
            await plant.nothing_heard()

    asyncio.run(story())


def test_an_alarm_heard_live_is_not_told_again_from_the_journal() -> None:
    async def story() -> None:
        async with site() as plant:
            entry = plant.alarm("TANK-LOW")
            walk = asyncio.ensure_future(plant.calling.walk.catch_up(plant.field.links[0]))
            await plant.clock.run_for(3_000)
            await walk
            message = await plant.heard(1)
            assert (message.run, message.n) == (entry.run, entry.n)
            assert plant.positions.known["calling", "journal"] == Position(n=entry.n, store=STORE)

    asyncio.run(story())


def test_an_alarm_that_was_missed_is_told_from_the_journal_as_late_while_it_stands() -> None:
    async def story() -> None:
        async with site() as plant:
            plant.record("TURBIDITY-HIGH")
            plant.field.alarms["TURBIDITY-HIGH"] = ("UNACK", 1)
            plant.picture.take_status(plant.field.status())
            plant.clock.advance(3_600_000)
            await plant.calling.walk.catch_up(plant.field.links[0])
            message = await plant.heard(1)
            assert "Wed 10:31" in message.text
            assert "12.7" not in message.text, "the value of now is not the value of then"
            assert "Told late: this is 60 min old." in message.more

    asyncio.run(story())


def test_nobody_is_called_for_an_alarm_that_is_old_and_over() -> None:
    async def story() -> None:
        async with site() as plant:
            entry = plant.record("TURBIDITY-HIGH")
            plant.field.alarms["TURBIDITY-HIGH"] = ("RTNUN", 1)
            plant.picture.take_status(plant.field.status())
            plant.clock.advance(3_600_000)
            await plant.calling.walk.catch_up(plant.field.links[0])
            await plant.nothing_heard()
            assert plant.positions.known["calling", "journal"].n == entry.n

    asyncio.run(story())


def test_what_waited_for_the_link_is_told_as_late_when_it_stands_and_not_at_all_when_it_is_over() -> None:
    async def story() -> None:
        async with site() as plant:
            plant.office.reached.clear()
            plant.alarm("TURBIDITY-HIGH")
            plant.alarm("BLOWER-SILENT")
            await plant.clock.run_for(3_600_000)
            await plant.nothing_heard()
            plant.field.alarms = {"BLOWER-SILENT": ("UNACK", 1)}
            plant.picture.take_status(plant.field.status())
            plant.office.reached.set()
            await plant.clock.run_for(60_000)
            message = await plant.heard(1)
            assert message.alarm == "BLOWER-SILENT"
            assert "Told late: this is 60 min old." in message.more

    asyncio.run(story())


def test_a_step_of_the_wall_clock_makes_no_alarm_old() -> None:
    async def story() -> None:
        async with site() as plant:
            entry = plant.record("TANK-LOW", utc_ms=START_UTC_MS - 3_600_000)
            plant.calling.hear(entry)
            await plant.clock.run_for(2_000)
            assert "Told late" not in (await plant.heard(1)).more

    asyncio.run(story())


def test_events_are_counted_on_over_a_restart() -> None:
    positions = PositionsInMemory()

    async def story() -> int:
        async with site(positions) as plant:
            plant.alarm("TANK-LOW")
            await plant.clock.run_for(2_000)
            return (await plant.heard(1)).event

    assert [asyncio.run(story()), asyncio.run(story())] == [1, 2]


def test_a_refused_message_is_not_told_and_is_told_when_it_may_be() -> None:
    async def story() -> None:
        async with site() as plant:
            plant.office.refuses = True
            plant.alarm("TANK-LOW")
            follow = asyncio.ensure_future(plant.calling.follow(plant.field.links[0]))
            await plant.clock.run_for(10_000)
            await plant.nothing_heard()
            assert ("calling", "journal") not in plant.positions.known or (
                plant.positions.known["calling", "journal"].n < plant.field.record.entries[-1].n
            )
            plant.office.refuses = False
            plant.field.alarms["TANK-LOW"] = ("UNACK", 1)
            plant.picture.take_status(plant.field.status())
            await plant.clock.run_for(300_000)
            assert (await plant.heard(1)).event == 1
            follow.cancel()
            await asyncio.wait([follow])

    asyncio.run(story())


def test_a_field_process_that_dies_while_the_proof_is_awaited_delays_no_message() -> None:
    async def story() -> None:
        async with site() as plant:
            plant.alarm("TURBIDITY-HIGH")
            plant.level("product", "withdrawn")
            await plant.clock.run_for(3_000)
            plant.picture.link_down("the connection was lost")
            await plant.clock.run_for(1_000)
            assert "Divert commanded, not proven yet." in (await plant.heard(1)).text

    asyncio.run(story())


def test_an_alarm_of_another_configuration_is_told_all_the_same() -> None:
    async def story() -> None:
        async with site() as plant:
            plant.alarm("NEW-ALARM", facts={"priority": "P1"})
            await plant.clock.run_for(2_000)
            assert "MARROWFELL P1 #1/1 Wed 10:31: alarm NEW-ALARM." in (await plant.heard(1)).text

    asyncio.run(story())
