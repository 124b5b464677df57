"""Who is told what, when. So far: one message for each P1 and P2 alarm, on the message channel.

Decides which alarms people are told of, how long a message waits for the
proof of what the plant did, and whether an old one is still worth telling. The
words are ``publishers.alarm_message``'s. Alarms are heard twice: live, before
they are committed, so that a full disk does not keep them in; and on the way
along the journal, so that none is lost over a restart. Each is told once in a
process; over a restart perhaps again, with the same identity.
"""

import asyncio
import contextlib
import logging
from collections import OrderedDict
from collections.abc import Awaitable, Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, tzinfo

from gateway.core.outcome import EventKind
from gateway.core.output import OutputRule
from gateway.core.tick import Tick
from gateway.local.messages import JournalEntry
from gateway.publishers import payload
from gateway.publishers.alarm_message import AlarmCard, Diversion, Nature, News, alarm_text
from gateway.store.errors import StoreError
from gateway.uplink.batches import StoredChunks
from gateway.uplink.field_link import FieldLink, OpenChunk, Position, Positions
from gateway.uplink.forwarding import JOURNAL, Notes, Walk
from gateway.uplink.picture import Picture
from gateway.uplink.sending import Held, Sender, Urgency

log = logging.getLogger(__name__)

READER = "calling"
PROOF_WAIT_MS = 40_000
_SAME_SCAN_MS = 2_000  # what one scan decides is heard within this
_LATE_FROM_MS = 120_000
_TOLD_KEPT = 10_000
_WAITING_MOST = 100
_LOOK_S = 0.5
_FLOOR_REAL_S = 1.0  # however fast the plant's clock runs, the field process answers few questions a second
_CALLED = {"P1", "P2"}
_COUNT = "events told"  # kept like a position: how many events have got a number
_OVER = {"RTNUN", "NORM"}  # alarm states in which the condition is gone


@dataclass(frozen=True, slots=True, kw_only=True)
class Addressee:
    """What a message needs to know of the site.

    Args:
        site: its id.
        name: as people say it.
        zone: its time zone.
    """

    site: str
    name: str
    zone: tzinfo


class _Telling:
    """One alarm on its way to people: told live or from the journal, never by both at once."""

    def __init__(self) -> None:
        self.turn = asyncio.Lock()
        self.event = 0
        self.done = False


class Calling:
    """Alarm messages.

    Args:
        addressee: what a message needs to know of the site.
        cards: what is known of each alarm.
        outputs: rules of the outputs; the first permission is the delivery.
        picture: what is known of the field process.
        sender: where to.
        positions: where the position along the journal and the count of events are kept.
        notes: told of what cannot be told.
        open_chunk: unpacks chunks.
        now: the plant's clock.
        sleep: waits plant seconds.
        every_s: pause between looks along the journal.
        held_s: pause after a refusal.
    """

    def __init__(
        self,
        *,
        addressee: Addressee,
        cards: Mapping[str, AlarmCard],
        outputs: Sequence[OutputRule],
        picture: Picture,
        sender: Sender,
        positions: Positions,
        notes: Notes,
        open_chunk: OpenChunk,
        now: Callable[[], Tick],
        sleep: Callable[[float], Awaitable[None]],
        every_s: float = 30.0,
        held_s: float = 300.0,
    ) -> None:
        self._addressee, self._cards = addressee, cards
        self._delivery = next((rule for rule in outputs if rule.permit), None)
        self._others = [rule for rule in outputs if rule is not self._delivery]
        self._picture, self._sender, self._positions, self._notes = picture, sender, positions, notes
        self._open, self._now, self._sleep = open_chunk, now, sleep
        self._every_s, self._held_s = every_s, held_s
        self._heard: asyncio.Queue[JournalEntry] = asyncio.Queue(_WAITING_MOST)
        self._tellings: OrderedDict[tuple[int, int], _Telling] = OrderedDict()
        self._places = asyncio.Semaphore(_WAITING_MOST)
        self._counting = asyncio.Lock()
        self.walk = Walk(reader=READER, stream=JOURNAL, work=self._tell_all, positions=positions, notes=notes)

    def hear(self, entry: JournalEntry) -> None:
        """An entry of the live feed. When too many wait, it is left to the way along the journal."""
        if self._concerns_people(entry):
            with contextlib.suppress(asyncio.QueueFull):
                self._heard.put_nowait(entry)

    async def run(self) -> None:
        """Until cancelled: tell what is heard live, each in a task of its own since each may wait for a proof."""
        async with asyncio.TaskGroup() as tasks:
            while True:
                await self._places.acquire()
                entry = await self._heard.get()
                tasks.create_task(self._tell_now(entry), name=f"message about {entry.subject}")

    async def follow(self, link: FieldLink) -> None:
        """As long as the connection lasts: tell what was not heard live."""
        while True:
            try:
                await self.walk.catch_up(link)
                await self.walk.confirm(link)
            except (Held, StoreError) as error:
                log.warning("messages wait %g s: %s", self._held_s, error)
                await self._sleep(self._held_s)
            else:
                await self._sleep(self._every_s)
                await asyncio.sleep(_FLOOR_REAL_S)

    async def _tell_now(self, entry: JournalEntry) -> None:
        try:
            await self.tell(entry)
        except (Held, StoreError) as error:
            log.warning("message about %s left to the journal: %s", entry.subject, error)
        finally:
            self._places.release()

    async def _tell_all(self, chunks: StoredChunks) -> None:
        for header, body in chunks:
            for entry in self._open.entries(header, body):
                if entry.n > self.walk.n and self._concerns_people(entry):
                    await self.tell(entry)
                    await self.walk.move(entry.n)

    def _concerns_people(self, entry: JournalEntry) -> bool:
        return entry.kind == EventKind.ALARM.value and self._card(entry).priority in _CALLED

    def _card(self, entry: JournalEntry) -> AlarmCard:
        """The alarm's card; for one of another configuration what the entry itself says."""
        plain = AlarmCard(
            alarm=entry.subject,
            priority=str(entry.facts.get("priority", "P2")),
            says=f"alarm {entry.subject}",
            cause="not known here, the site runs another configuration than the uplink",
            consequence="not known here",
            action="Look at the site's alarm list",
            respond_within_min=60,
        )
        return self._cards.get(entry.subject, plain)

    # --- one message -----------------------------------------------------------------------------------------------

    async def tell(self, entry: JournalEntry) -> None:
        """Tell people of one alarm, unless that has been done; returns when the broker has accepted it.

        Raises:
            Held: the broker refuses for a reason that may be put right; it has not been told.
            StoreError: the count of events cannot be kept; it has not been told.
        """
        telling = self._telling((entry.run, entry.n))
        async with telling.turn:
            await self._sender.ready()  # what waited for the link is judged, and called late, when the link is back
            if telling.done or await self._not_worth_telling(entry):
                return
            card = self._card(entry)
            value, reason = self._value(card, entry)
            await self._wait_for_the_plant(card, entry)
            telling.event = telling.event or await self._next_event()
            message = self._message(entry, card, value=value, reason=reason, event=telling.event)
            with self._sender.lanes.wanting(Urgency.ALARMS):
                await self._sender.send([payload.message_parcel(message)], Urgency.ALARMS)
            telling.done = True

    def _telling(self, identity: tuple[int, int]) -> _Telling:
        telling = self._tellings.setdefault(identity, _Telling())
        while len(self._tellings) > _TOLD_KEPT:
            self._tellings.popitem(last=False)
        return telling

    async def _not_worth_telling(self, entry: JournalEntry) -> bool:
        """Nobody is called for an alarm that is old and over; the event itself has gone upstream."""
        if self._age_ms(entry) < _LATE_FROM_MS:
            return False
        while self._picture.status is None and self._picture.linked:
            await self._sleep(_LOOK_S)
        if self._picture.status is None:
            return False
        standing = {(a.alarm, a.occurrence) for a in self._picture.status.alarms if a.state not in _OVER}
        return (entry.subject, entry.occurrence) not in standing

    async def _next_event(self) -> int:
        async with self._counting:
            before = await self._positions.get(READER, _COUNT)
            number = (before.n if before is not None else 0) + 1
            await self._positions.set(READER, _COUNT, Position(n=number, store=self._addressee.site))
            return number

    def _value(self, card: AlarmCard, entry: JournalEntry) -> tuple[float | None, str]:
        """The value people are told: what the entry says, else the newest one unless the alarm is old."""
        told = entry.facts.get("value")
        if isinstance(told, float):
            return told, ""
        newest = self._picture.values.get(card.value_tag)
        if newest is None or self._age_ms(entry) >= _LATE_FROM_MS:
            return None, ""
        return newest.value, newest.reason if newest.value is None else ""

    def _message(
        self, entry: JournalEntry, card: AlarmCard, *, value: float | None, reason: str, event: int
    ) -> payload.Message:
        diversion = self._diversion(card)
        news = News(
            site=self._addressee.name,
            event=event,
            message=1,
            since=datetime.fromtimestamp(entry.utc_ms / 1000, UTC).astimezone(self._addressee.zone),
            late_s=self._age_ms(entry) / 1000,
            diversion=diversion,
            stopped=self._stopped(),
            value=value,
            reason=reason,
            put_aside=str(entry.facts.get("put_aside", "")),
        )
        text = alarm_text(card, news)
        return payload.Message(
            site=self._addressee.site,
            run=entry.run,
            n=entry.n,
            event=event,
            message=1,
            alarm=entry.subject,
            occurrence=entry.occurrence,
            priority=card.priority,
            at_utc_ms=entry.utc_ms,
            sent_utc_ms=self._now().utc_ms,
            nature=card.nature.value,
            diversion=diversion.value,
            text=text.first,
            more=text.second,
        )

    # --- what the plant did ----------------------------------------------------------------------------------------

    async def _wait_for_the_plant(self, card: AlarmCard, entry: JournalEntry) -> None:
        """Until it is known what the plant did, or the time for it is over."""
        until_ms = PROOF_WAIT_MS if card.stops else _SAME_SCAN_MS
        while self._age_ms(entry) < until_ms and self._picture.linked:
            if card.stops and self._diversion(card) is Diversion.PROVEN:
                return
            if card.nature is Nature.UNMOVED and self._stopped():
                return
            await self._sleep(_LOOK_S)

    def _diversion(self, card: AlarmCard) -> Diversion:
        rule = self._delivery
        level = self._picture.level(rule.id) if rule is not None else ""
        if rule is None or not level:
            return Diversion.UNKNOWN
        if level != rule.safe_level:
            return Diversion.NOT_COMMANDED
        if rule.proof_tag and self._picture.reads(rule.proof_tag, rule.proof_value):
            return Diversion.PROVEN
        return Diversion.NOT_PROVEN if card.nature is Nature.UNMOVED else Diversion.COMMANDED

    def _stopped(self) -> tuple[str, ...]:
        """The other outputs that stand at their safe level, in words."""
        rules = (rule for rule in self._others if self._picture.level(rule.id) == rule.safe_level)
        return tuple(rule.id.replace("_", " ") for rule in rules)

    def _age_ms(self, entry: JournalEntry) -> int:
        """By the monotonic clock where it still is the same one: a step of the wall clock makes nothing old."""
        now, hello = self._now(), self._picture.hello
        if hello is not None and hello.run == entry.run:
            return now.monotonic_ms - entry.monotonic_ms
        return now.utc_ms - entry.utc_ms
