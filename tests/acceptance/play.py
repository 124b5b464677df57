"""One run of plant, gateway and office, and what is on record of it afterwards.

Nothing here judges: the tests do, on the record of a run that has been played
once. Every wait has a time-out, and plant times are read from the plant.
"""

import asyncio
import contextlib
import re
import shutil
from collections import defaultdict
from collections.abc import AsyncIterator, Callable, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path
from typing import Any

from gateway.core.sample import Number
from gateway.local.client import FieldClient, FieldError
from gateway.local.messages import Answered, JournalEntry, LiveEvent, Values
from gateway.store import journal, sample_log
from gateway.store.database import Database
from gateway.store.findings import Finding
from gateway.store.migrations import PLANT
from gateway.store.sample_log import SampleRow
from simulator.site import Office as Where
from simulator.stage import Control, Script, Stage
from simulator.visitor import Visitor
from tests.acceptance.office import Office, open_office
from tests.mosquitto import broker

RATE = 30.0  # plant seconds a second; at twice as many, a quarter of a second's stall makes readings of 5 s stale
SOONER_S = 120  # of good readings before a release, for plays that are not about the site's own half hour
LOCAL = timezone(timedelta(hours=1))  # of the demo site
PATIENCE_S = 60.0  # real; for what should take a moment
_LOOK_S = 0.05
_NOTICE = re.compile(r"^(\d{4}-\d\d-\d\d \d\d:\d\d:\d\d)  (.*)$")
_EVERYTHING_BYTES = 1 << 30
_ENTRIES_MOST = 100_000


def patience_s(plant_s: float) -> float:
    """Real seconds to wait for what comes after so many plant seconds, should the machine be half as fast."""
    return PATIENCE_S + 2 * max(plant_s, 0.0) / RATE


async def until(holds: Callable[[], bool], what: str, *, within_s: float = PATIENCE_S) -> None:
    """Wait until something holds; AssertionError with ``what`` when it does not in time."""
    try:
        async with asyncio.timeout(within_s):
            while not holds():  # noqa: ASYNC110 - looked at, not told
                await asyncio.sleep(_LOOK_S)
    except TimeoutError:
        raise AssertionError(f"{what}: did not happen within {within_s:g} s") from None


@dataclass(frozen=True, slots=True)
class Verdict:
    """What a tag is worth since a scan."""

    utc_ms: int
    quality: str
    reason: str


@dataclass(frozen=True, slots=True)
class Notice:
    """What the plant printed; to the second."""

    utc_ms: int
    text: str


class Play:
    """A run under way.

    Attributes:
        stage: plant and gateway.
        office: who listens.
        heard: the live feed's events, in order, over all connections.
        verdicts: what each tag was worth, whenever that changed.
    """

    def __init__(self, stage: Stage, office: Office) -> None:
        self.stage = stage
        self.office = office
        self.heard: list[JournalEntry] = []
        self.verdicts: dict[str, list[Verdict]] = defaultdict(list)
        self._listening: asyncio.Task[None] | None = None

    @property
    def control(self) -> Control:
        return self.stage.control

    async def truth(self) -> dict[str, Any]:
        return await self.control.truth()

    async def truth_when(
        self, holds: Callable[[dict[str, Any]], bool], what: str, *, within_s: float = PATIENCE_S
    ) -> dict[str, Any]:
        """What is true at the first look at which something holds."""
        try:
            async with asyncio.timeout(within_s):
                while not holds(true := await self.truth()):  # noqa: ASYNC110 - asked, not told
                    await asyncio.sleep(_LOOK_S)
        except TimeoutError:
            raise AssertionError(f"{what}: was not so within {within_s:g} s") from None
        return true

    async def after_event(self, plant_s: float) -> dict[str, Any]:
        """What is true so many plant seconds after the event struck."""
        ahead_s = plant_s - (await self.truth())["since_event_s"]
        return await self.truth_when(
            lambda true: bool(true["since_event_s"] >= plant_s),
            f"{plant_s:g} s after the event",
            within_s=patience_s(ahead_s),
        )

    async def after(self, plant_s: float) -> dict[str, Any]:
        """What is true so many plant seconds from now."""
        until_utc_ms = (await self.truth())["utc_ms"] + plant_s * 1_000
        return await self.truth_when(
            lambda true: bool(true["utc_ms"] >= until_utc_ms),
            f"{plant_s:g} plant seconds",
            within_s=patience_s(plant_s),
        )

    async def start(self, *, commissioned: bool = True) -> FieldClient:
        """Start the gateway, have its outputs commissioned unless they are, and listen to it."""
        await self.stage.start_gateway((lambda field: self.visitor(field).commission()) if commissioned else None)
        return await self.listen()

    async def listen(self) -> FieldClient:
        """A new connection to the field process, whose events go to ``heard``."""
        field = await self.stage.field("acceptance")
        self._listening = asyncio.create_task(self._listen(field))
        return field

    async def _listen(self, field: FieldClient) -> None:
        with contextlib.suppress(FieldError):  # the field process was stopped or killed
            async for news in field.watch():
                match news:
                    case LiveEvent():
                        self.heard.append(news.entry)
                    case Values():
                        self._note_verdicts(news)

    def _note_verdicts(self, news: Values) -> None:
        for one in news.values:
            verdict = Verdict(news.utc_ms, one.quality, one.reason)
            known = self.verdicts[one.tag]
            if not known or (known[-1].quality, known[-1].reason) != (verdict.quality, verdict.reason):
                known.append(verdict)

    async def event(
        self, kind: str, subject: str = "", *, since: int = 0, within_s: float = PATIENCE_S
    ) -> JournalEntry:
        """The first event of a kind heard from number ``since`` on."""

        def found() -> JournalEntry | None:
            return next((one for one in self.heard if one.n >= since and is_about(one, kind, subject)), None)

        await until(lambda: found() is not None, f"event {kind} {subject}", within_s=within_s)
        entry = found()
        assert entry is not None
        return entry

    async def told(self) -> None:
        """Wait until the office has had every event that was heard here."""
        await until(
            lambda: all((one.run, one.n) in self.office.events for one in self.heard), "every event at the office"
        )

    async def message(self, alarm: str) -> dict[str, Any]:
        """The first message about an alarm, waited for: it is held back until it is known what the plant did."""
        await until(lambda: bool(self.office.texts(alarm)), f"message about {alarm}")
        return next(one for one in self.office.messages if one["alarm"] == alarm)

    def visitor(self, field: FieldClient) -> Visitor:
        """The operator on site; one for each connection, since requests are told apart by their numbers."""
        return Visitor(field, self.control, lambda _: None)

    async def deliver(self, visitor: Visitor, *, clear_s: float = SOONER_S) -> Answered:
        """Release product by the rule, after so many plant seconds of good readings, and see the valve at product."""
        answer = await asyncio.wait_for(visitor.release_when_ready("product"), patience_s(clear_s))
        await self.truth_when(lambda true: bool(true["proven_product"]), "XV-901 proven at product")
        return answer

    async def stopped(self) -> int:
        """Stop the gateway in order. Returns its exit code."""
        code = await self.stage.stop_gateway()
        if self._listening is not None:
            await asyncio.wait({self._listening}, timeout=PATIENCE_S)
        return code

    def notices(self) -> list[Notice]:
        """What the plant has printed so far."""
        lines = (self.stage.folder / "plant.log").read_text(encoding="utf-8").splitlines()
        return [Notice(_utc_ms(found[1]), found[2]) for line in lines if (found := _NOTICE.match(line))]

    def noticed(self, text: str, *, since_utc_ms: int = 0) -> int:
        """When the plant first printed something after a moment."""
        return next(one.utc_ms for one in self.notices() if one.text.startswith(text) and one.utc_ms >= since_utc_ms)

    def log(self) -> str:
        """What the gateway's processes have logged so far."""
        return (self.stage.folder / "gateway.log").read_text(encoding="utf-8")


def struck_utc_ms(true: dict[str, Any]) -> int:
    """When the event struck, from anything that was true at any time."""
    return int(true["utc_ms"]) - round(float(true["since_event_s"]) * 1_000)


def _utc_ms(local: str) -> int:
    at = datetime.fromisoformat(local).replace(tzinfo=LOCAL).astimezone(UTC)
    return round(at.timestamp() * 1_000)


@contextlib.asynccontextmanager
async def playing(folder: Path, script: Script) -> AsyncIterator[Play]:
    """Broker, office and plant of one run; the gateway is not started yet. Everything is gone afterwards."""
    settings = ("max_queued_messages 0", "max_inflight_messages 200")  # the broker shall lose nothing for the office
    with broker(folder, *settings) as office_broker, open_office(office_broker.port) as office:
        async with Stage(folder, script, Where(port=office_broker.port)) as stage:
            yield Play(stage, office)


def processes_of(site: Path) -> dict[str, int]:
    """Running processes of a site by their command: run, field, uplink."""
    return {words[words.index("gateway") + 1]: pid for pid, words in _command_lines() if str(site) in words[-1:]}


def _command_lines() -> Iterator[tuple[int, list[str]]]:
    for entry in Path("/proc").iterdir():
        if entry.name.isdigit():
            with contextlib.suppress(OSError):  # gone meanwhile
                words = (entry / "cmdline").read_bytes().decode(errors="replace").split("\0")[:-1]
                yield int(entry.name), words


# --- the record ------------------------------------------------------------------------------------------------


def is_about(entry: JournalEntry, kind: str, subject: str = "") -> bool:
    return entry.kind == kind and subject in ("", entry.subject)


@dataclass(frozen=True, slots=True, kw_only=True)
class Record:
    """What the field process has left on disk.

    Args:
        journal: all lines.
        rows: all readings.
        findings: what the checks of chain and chunks found wrong.
    """

    journal: list[JournalEntry]
    rows: list[SampleRow]
    findings: list[Finding]

    def all(self, kind: str, subject: str = "") -> list[JournalEntry]:
        return [one for one in self.journal if is_about(one, kind, subject)]

    def one(self, kind: str, subject: str = "") -> JournalEntry:
        """The only line of a kind about something."""
        (found,) = self.all(kind, subject)
        return found

    def readings(self, tag: str) -> list[tuple[int, float]]:
        """Arrival and value of every reading that has one."""
        samples = (row.sample for row in self.rows if row.sample.tag == tag)
        return [(one.arrived.utc_ms, one.reading.value) for one in samples if isinstance(one.reading, Number)]


def record_of(stage: Stage) -> Record:
    """Read the record of a stopped gateway, from a copy, so that looking at it changes nothing."""
    copy = stage.folder / "record-copy"
    shutil.rmtree(copy, ignore_errors=True)
    copy.mkdir()
    for file in stage.record.glob("plant.db*"):
        shutil.copyfile(file, copy / file.name)
    database = Database(copy / "plant.db", PLANT, utc_ms=0)
    try:
        with database.reader() as reader:
            chunks = sample_log.read_after(reader, 0, _EVERYTHING_BYTES)
            return Record(
                journal=journal.read_entries(reader, 0, _ENTRIES_MOST),
                rows=[row for chunk in chunks for row in sample_log.unpack(*chunk).rows],
                findings=[*journal.verify(reader), *sample_log.verify(reader)],
            )
    finally:
        database.close(PATIENCE_S)
