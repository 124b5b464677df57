"""Record to server: a position moves when the server has shown that it keeps what it takes, and not before."""

import asyncio
import re
from collections.abc import AsyncIterator, Callable, Sequence
from contextlib import asynccontextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path

from gateway.configuration.schema.points import OwnTag
from gateway.core.tick import Tick
from gateway.publishers import payload
from gateway.publishers.backoff import Backoff
from gateway.publishers.influx import Canary, Found, InfluxServer, InfluxSettings, Missing
from gateway.publishers.publisher import Accepted, Lost, Refused
from gateway.store import chunk
from gateway.uplink.field_link import Position
from gateway.uplink.forwarding import Notes
from gateway.uplink.line_feed import FeedManner, LineFeed, LineServer
from gateway.uplink.process import StoredChunks, report_rules
from gateway.uplink.thinning import Thinning
from tests.mosquitto import eventually
from tests.uplink.field_stand_in import SITE, START_UTC_MS, STORE, Clock, Field, PositionsInMemory, Record
from tests.victoriametrics import Metrics, victoria_metrics

DAY_MS = 86_400_000
POINTS = {"AIT-510": OwnTag(service="filter effluent turbidity", unit="NTU", figure="rows_waiting")}
QUICK = FeedManner(
    site=SITE, measurement="reading", rows=100, interval_s=10.0, read_back_s=20.0, held_s=50_000.0, reconnect_s=1.0
)
QUICK_AGAIN = Backoff(first_s=0.02, ceiling_s=0.1)
LINE = re.compile(r"^reading,site=marrowfell,tag=(\S+) (?:value=([^,]+),)?quality=\S+,reason=\S+ (\d+)$")


class ADayLater(Clock):
    """Everything recorded lies in the past, as it should."""

    trusted = True

    def now(self) -> Tick:
        now = super().now()
        return Tick(monotonic_ms=now.monotonic_ms, utc_ms=now.utc_ms + DAY_MS, utc_trusted=self.trusted)


@dataclass
class Scripted:
    """A server in memory that does what ``fate`` says of a request, and keeps what it accepts unless it lies."""

    fate: Callable[[str], Accepted | Refused | Lost] = lambda _: Accepted()
    keeps: bool = True
    kept: dict[tuple[str, int], str | None] = field(default_factory=dict)
    requests: list[str] = field(default_factory=list)
    asked: list[Canary] = field(default_factory=list)

    async def write(self, lines: bytes) -> Accepted | Refused | Lost:
        await asyncio.sleep(0)
        text = lines.decode()
        self.requests.append(text)
        outcome = self.fate(text)
        if isinstance(outcome, Accepted) and self.keeps:
            for line in text.splitlines():
                found = LINE.match(line)
                assert found is not None
                self.kept[found[1], int(found[3])] = found[2]
        return outcome

    async def read_back(self, canary: Canary) -> Found | Missing | Refused | Lost:
        await asyncio.sleep(0)
        self.asked.append(canary)
        return Found() if (canary.tag, canary.utc_ms) in self.kept else Missing(instead="nothing at that stamp")


@dataclass
class Running:
    feed: LineFeed
    positions: PositionsInMemory
    notes: Notes
    pauses: list[float]
    clock: ADayLater

    @property
    def noted(self) -> list[payload.Event]:
        return list(self.notes._waiting.values())

    @property
    def kept_n(self) -> int:
        position = self.positions.known.get(("influx", "samples"))
        return 0 if position is None else position.n


@asynccontextmanager
async def feeding(
    field: Field, server: LineServer, manner: FeedManner = QUICK, *, trusted: bool = True, rate: float = 50.0
) -> AsyncIterator[Running]:
    clock, positions, pauses = ADayLater(rate=rate), PositionsInMemory(), list[float]()
    clock.trusted = trusted
    notes = Notes(site=SITE, run=7, now=clock.now)

    async def pause(duration_s: float) -> None:
        pauses.append(duration_s)
        await asyncio.sleep(min(duration_s, 0.1 if isinstance(server, Scripted) else 2.0))  # real ones need their time

    feed = LineFeed(
        manner=manner,
        server=server,
        connect_field=field.connect,
        open_chunk=StoredChunks(),
        thinning=Thinning(report_rules(POINTS)),
        positions=positions,
        notes=notes,
        now=clock.now,
        sleep=clock.sleep,
        pause=pause,
        backoff=QUICK_AGAIN,
    )
    work = asyncio.ensure_future(feed.run())
    try:
        yield Running(feed, positions, notes, pauses, clock)
    finally:
        work.cancel()
        await asyncio.wait([work])
        if not work.cancelled():
            work.result()


def recorded(chunks: int, each: int) -> Record:
    record = Record()
    for _ in range(chunks):
        record.sample_chunk(each)
    return record


def stamps(record: Record) -> list[int]:
    return [row.sample.source_utc_ms for rows in record.samples for row in rows]


def influx(running: Metrics) -> InfluxServer:
    settings = InfluxSettings(
        url=running.url,
        organisation="site",
        bucket="plant",
        measurement="reading",
        site=SITE,
        timeout_s=5.0,
        read_back_api="promql",
    )
    return InfluxServer(settings)


def test_every_reading_reaches_a_real_server_and_the_position_stands_at_the_end(tmp_path: Path) -> None:
    record = recorded(12, 40)

    async def story(running: Metrics) -> None:
        server = influx(running)
        async with feeding(plant := Field(record), server) as fed:
            await eventually(lambda: plant.confirmed == {("influx", "samples"): 480})
            assert fed.positions.known["influx", "samples"] == Position(n=480, store=STORE)
            assert (fed.noted, fed.feed.troubles()) == ([], ())
        server.close()

    with victoria_metrics(tmp_path) as running:
        asyncio.run(story(running))
        ((_, qualities),) = running.samples("reading_quality")
        assert [stamp for stamp, _ in qualities] == stamps(record)
        ((_, values),) = running.samples("reading_value")
        assert len(values) == 480 - 48, "every tenth is bad and has no value"


def test_a_server_that_says_yes_and_keeps_nothing_moves_no_position_is_told_and_not_flooded(tmp_path: Path) -> None:
    """Trap 7, with the real server: readings older than its retention are answered with 204."""
    record = recorded(12, 40)

    async def story(running: Metrics) -> None:
        server = influx(running)
        async with feeding(plant := Field(record), server) as fed:
            await eventually(lambda: bool(fed.feed.troubles()))
            assert "does not keep" in fed.feed.troubles()[0]
            assert [(note.kind, note.subject) for note in fed.noted] == [("uplink_not_kept", "influx")]
            assert "nothing at that stamp" in fed.noted[0].reason
            assert fed.kept_n == 0
            assert plant.confirmed == {}
        server.close()

    with victoria_metrics(tmp_path, retention="1") as running:
        asyncio.run(story(running))
        assert running.counted('vm_rows_ignored_total{reason="small_timestamp"}') > 0


def test_while_a_server_keeps_nothing_one_batch_is_tried_at_a_time_with_a_long_pause_between() -> None:
    async def story() -> None:
        server = Scripted(keeps=False)
        async with feeding(Field(recorded(12, 40)), server, replace(QUICK, held_s=20.0, rows=200)) as fed:
            await eventually(lambda: len(server.requests) >= 3)
            assert len(set(server.requests)) == 1, "always the same first batch"
            assert [note.kind for note in fed.noted] == ["uplink_not_kept"], "told once"
            server.keeps = True
            await eventually(lambda: fed.kept_n == 480)
            assert fed.feed.troubles() == ()

    asyncio.run(story())


def test_a_server_killed_in_the_middle_has_everything_in_the_end(tmp_path: Path) -> None:
    """It has shown the first readings, from its memory, and loses them; nobody may have counted on them."""
    record = recorded(40, 40)

    async def story(running: Metrics) -> None:
        server = influx(running)
        async with feeding(Field(record), server, replace(QUICK, read_back_s=2_000.0)) as fed:
            await eventually(lambda: fed.feed.walk.n >= 200)
            await asyncio.to_thread(running.kill)
            await asyncio.to_thread(running.start)
            record.sample_chunk(40)
            await eventually(lambda: fed.feed.walk.n == 1_640)
        server.close()

    with victoria_metrics(tmp_path) as running:
        asyncio.run(story(running))
        found = dict(running.samples("reading_quality")[0][1])
    assert set(stamps(record)) - set(found) == set()


def test_the_position_is_kept_when_a_reading_is_still_there_at_a_later_look() -> None:
    async def story() -> None:
        server = Scripted()
        async with feeding(Field(recorded(12, 40)), server, replace(QUICK, read_back_s=100.0, rows=120)) as fed:
            await eventually(lambda: len(server.asked) == 2)
            oldest, newest = server.asked
            assert oldest.utc_ms == START_UTC_MS + 1_000
            assert newest.utc_ms == START_UTC_MS + 120_000
            assert (newest.field, newest.value) == ("quality", 0.0), "every tenth is bad"
            assert fed.kept_n == 0
            await eventually(lambda: fed.kept_n > 0)
            assert server.asked[2] == newest, "once more, later"
            assert fed.kept_n == 120
            await eventually(lambda: fed.kept_n == 480)

    asyncio.run(story())


def test_what_a_server_loses_after_it_has_shown_it_is_written_again() -> None:
    async def story() -> None:
        server = Scripted()
        async with feeding(Field(recorded(12, 40)), server, replace(QUICK, read_back_s=100.0)) as fed:
            await eventually(lambda: fed.feed.walk.n == 480)
            server.kept.clear()
            await eventually(lambda: len(server.kept) == 480)
            assert fed.kept_n == 0
            assert [note.kind for note in fed.noted] == ["uplink_written_again"]
            await eventually(lambda: fed.kept_n == 480)

    asyncio.run(story())


def test_after_a_loss_everything_that_is_not_proven_is_written_again() -> None:
    async def story() -> None:
        server = Scripted()
        server.fate = lambda _: Lost(reason="cut", wait_s=17.0) if len(server.requests) == 4 else Accepted()
        async with feeding(Field(recorded(20, 40)), server, replace(QUICK, rows=120)) as fed:
            await eventually(lambda: fed.kept_n == 800)
            assert max(fed.pauses) == 17.0, "as long as the server asked for"
            assert server.requests[4] == server.requests[0]
        assert {stamp for _, stamp in server.kept} == set(stamps(recorded(20, 40)))

    asyncio.run(story())


def test_a_reading_that_the_server_cannot_take_is_found_and_set_aside_and_the_rest_arrives() -> None:
    """Trap 9: a 400 for part of a batch is not an acceptance, and does not stop the way for ever either."""
    culprit = f" {START_UTC_MS + 77_000}\n"

    async def story() -> None:
        server = Scripted(
            lambda text: Refused(reason="partial write: dropped=1", code=400) if culprit in text else Accepted()
        )
        async with feeding(Field(recorded(3, 40)), server) as fed:
            await eventually(lambda: fed.kept_n == 120)
            (note,) = fed.noted
            assert (note.kind, note.reason) == ("uplink_set_aside", "partial write: dropped=1")
            assert "number 77" in note.subject
        assert {stamp for _, stamp in server.kept} == set(stamps(recorded(3, 40))) - {START_UTC_MS + 77_000}

    asyncio.run(story())


def test_when_the_server_takes_no_reading_at_all_they_wait_instead_of_being_set_aside_one_by_one() -> None:
    async def story() -> None:
        server = Scripted(lambda _: Refused(reason="field type conflict", code=400))
        async with feeding(Field(recorded(3, 40)), server) as fed:
            await eventually(lambda: bool(fed.feed.troubles()))
            assert fed.kept_n == 0
            assert fed.noted[-1].kind == "uplink_held"
            assert len(server.requests) < 100

    asyncio.run(story())


def test_a_wrong_token_holds_everything_and_sets_nothing_aside() -> None:
    async def story() -> None:
        server = Scripted(lambda _: Refused(reason="unauthorized", code=401))
        async with feeding(Field(recorded(3, 40)), server) as fed:
            await eventually(lambda: bool(fed.feed.troubles()))
            assert [note.kind for note in fed.noted] == ["uplink_held"]
            assert len(server.requests) == 1
            assert fed.kept_n == 0

    asyncio.run(story())


def test_nothing_is_written_before_the_clock_is_trusted() -> None:
    """Trap 7: points in the future vanish with success codes; a box with a wrong clock holds everything back."""

    async def story() -> None:
        server = Scripted()
        async with feeding(Field(recorded(3, 40)), server, trusted=False) as fed:
            await eventually(lambda: "trusted" in "".join(fed.feed.troubles()))
            assert server.requests == []
            fed.clock.trusted = True
            await eventually(lambda: fed.kept_n == 120)
            assert fed.feed.troubles() == ()

    asyncio.run(story())


def stamped(record: Record, n: int, *, utc_ms: int, trusted: bool) -> None:
    """Give reading n another stamp."""
    for rows in record.samples:
        for at, row in enumerate(rows):
            if row.n == n:
                arrived = replace(row.sample.arrived, utc_ms=utc_ms, utc_trusted=trusted)
                rows[at] = chunk.SampleRow(
                    n=n, scan=row.scan, sample=row.sample._replace(arrived=arrived, source_utc_ms=utc_ms)
                )


def test_readings_with_stamps_of_the_future_or_of_a_doubtful_clock_are_set_aside_and_told() -> None:
    record = recorded(3, 40)
    stamped(record, 7, utc_ms=START_UTC_MS + 10 * DAY_MS, trusted=True)
    stamped(record, 8, utc_ms=5_000, trusted=False)

    async def story() -> None:
        server = Scripted()
        async with feeding(Field(record), server) as fed:
            await eventually(lambda: fed.kept_n == 120)
            (note,) = fed.noted
            assert note.kind == "uplink_set_aside"
            assert note.reason.startswith("2 readings bear stamps")
        assert len(server.kept) == 118

    asyncio.run(story())


def test_a_server_whose_word_is_trusted_is_never_asked() -> None:
    async def story() -> None:
        server = Scripted(keeps=False)
        async with feeding(Field(recorded(3, 40)), server, replace(QUICK, read_back_s=None)) as fed:
            await eventually(lambda: fed.kept_n == 120)
        assert server.asked == []

    asyncio.run(story())


def test_it_goes_on_through_a_restart_of_the_field_process() -> None:
    record = recorded(2, 40)

    async def story() -> None:
        server, plant = Scripted(), Field(record)
        async with feeding(plant, server) as fed:
            await eventually(lambda: fed.kept_n == 80)
            plant.crash()
            record.sample_chunk(40)
            plant.restart()
            await eventually(lambda: fed.kept_n == 120)
        written: Sequence[str] = [line for request in server.requests for line in request.splitlines()]
        assert len(written) == len(set(written)) == 120, "nothing twice, nothing missing"

    asyncio.run(story())
