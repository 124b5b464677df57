"""The running field process of one site: starts its parts, keeps them running, and stops them in the right order.

A part that ends by itself is a fault of ours; then everything is stopped, the
permissions are withdrawn, and the supervisor starts the process anew.
"""

import asyncio
import logging
from collections.abc import Callable, Collection, Mapping, Sequence
from concurrent.futures import Future
from dataclasses import dataclass
from datetime import UTC, datetime

from gateway.core.outcome import Event, EventKind, Outcome
from gateway.core.state import ScanState
from gateway.core.validity import Verdict
from gateway.field.actuation import Actuation
from gateway.field.answering import AnswerDesk
from gateway.field.clock import Clock
from gateway.field.connection import Peer
from gateway.field.housekeeping import Housekeeper
from gateway.field.image import InputImage
from gateway.field.own_tags import OwnTags
from gateway.field.polling import Poller
from gateway.field.recording import Recorder
from gateway.field.scanning import Scanner
from gateway.field.serving import HistoryPart, Server
from gateway.field.standing import status_of, tag_value
from gateway.local.messages import Confirm, JournalEntry, Status, TagValue, Values
from gateway.store import journal, positions, sample_log
from gateway.store.database import Database, Reader
from gateway.store.errors import StoreError

_WITHDRAWN_WITHIN_S = 10.0
_COMMITTED_WITHIN_S = 5.0
_FAILING_NOTE_MS = 5_000

_log = logging.getLogger(__name__)


class LiveTelling:
    """What is told live after every scan: verdicts that changed, and events before they are committed."""

    def __init__(self, image: InputImage) -> None:
        self._image = image
        self._told: dict[str, tuple[Verdict, int]] = {}
        self.server: Server | None = None

    def tell(self, state: ScanState, outcome: Outcome, entries: Sequence[JournalEntry]) -> None:
        """Publish what is new; returns at once."""
        if self.server is None:
            return
        values = tuple(self._changed(outcome.verdicts))
        self.server.publish_values(Values(scan=state.scan, utc_ms=state.tick.utc_ms, values=values))
        for entry in entries:
            self.server.publish_event(entry)

    def _changed(self, verdicts: Mapping[str, Verdict]) -> list[TagValue]:
        changed = []
        for tag, verdict in verdicts.items():
            latest = self._image.latest(tag)
            now = (verdict, 0 if latest is None else latest.n)
            if self._told.get(tag) != now:
                self._told[tag] = now
                changed.append(tag_value(tag, verdict, self._image))
        return changed


@dataclass(frozen=True, slots=True, kw_only=True)
class Parts:
    """Everything that runs in the field process, made by ``assembly``."""

    clock: Clock
    image: InputImage
    database: Database
    scanner: Scanner
    recorder: Recorder
    housekeeper: Housekeeper
    desk: AnswerDesk
    pollers: Sequence[Poller]
    actuation: Actuation | None
    server: Server
    own_tags: OwnTags | None = None


class History:
    """Chunks of the record for readers of the local socket, and how far each of them has confirmed.

    Args:
        database: the plant's store.
        readers: who may confirm; what they have confirmed may one day be let go.
    """

    def __init__(self, database: Database, readers: Collection[str]) -> None:
        self._database = database
        self._readers = frozenset(readers)

    def read(self, stream: str, after_n: int, store: str, limit_bytes: int) -> HistoryPart:
        """See ``serving.ReadHistory``; in the history thread.

        Raises:
            ValueError: there is no such stream.
        """
        gap = "" if store in ("", self._database.opened.store) else "another store: begin at the first chunk"
        start_n = 0 if gap else after_n
        with self._database.reader() as reader:
            if stream == journal.STREAM:
                chunks, newest_n = journal.read_after(reader, start_n, limit_bytes), journal.newest(reader).n
                return chunks, newest_n, gap or journal.gap_after(reader, start_n)
            if stream == sample_log.STREAM:
                chunks, newest_n = sample_log.read_after(reader, start_n, limit_bytes), sample_log.newest_n(reader)
                return chunks, newest_n, gap or sample_log.gap_after(reader, start_n)
        raise ValueError(f"stream {stream!r}: there are {journal.STREAM} and {sample_log.STREAM}")

    def confirm(self, _peer: Peer, confirm: Confirm) -> None:
        """A named reader has delivered everything up to here."""
        if confirm.reader not in self._readers:
            _log.warning("%s is no reader of this site; its position is not kept", confirm.reader)
            return
        store = self._database.opened.store

        def keep(transaction: Reader) -> None:
            positions.set(transaction, reader=confirm.reader, stream=confirm.stream, n=confirm.n, store=store)

        try:
            self._database.submit(keep).add_done_callback(_log_failure)
        except StoreError as error:
            _log.warning("the position of %s is not kept: %s", confirm.reader, error)


def _log_failure(done: "Future[None]") -> None:
    if not done.cancelled() and done.exception() is not None:
        _log.warning("a reader's position is not kept: %s", done.exception())


def status(parts: Parts) -> Status:
    """One snapshot, with what else a person should know."""
    scanner = parts.scanner
    return status_of(scanner.rules, scanner.state, scanner.outcome, parts.image, tuple(_notes(parts)))


def _notes(parts: Parts) -> list[str]:
    notes = [_commissioning(parts)]
    now = parts.clock.now()
    failing_ms = parts.recorder.failing_since_ms
    if failing_ms is not None and now.monotonic_ms - failing_ms > _FAILING_NOTE_MS:
        notes.append("the record cannot be written; nothing is given back until it can")
    if not now.utc_trusted:
        notes.append("the clock is not trusted; times may be wrong")
    notes += [_overdue(tag, due_utc_ms) for tag, due_utc_ms in parts.scanner.checks_overdue().items()]
    if parts.housekeeper.over_limit:
        notes.append("the record is larger than its limit, and nothing of it may be let go yet")
    return notes


def _overdue(tag: str, due_utc_ms: int) -> str:
    if not due_utc_ms:
        return f"no check of {tag} is on record; it is to be verified"
    return f"the check of {tag} is overdue since {_in_utc(due_utc_ms)}"


def _in_utc(utc_ms: int) -> str:
    return datetime.fromtimestamp(utc_ms / 1_000, UTC).strftime("%d %b %Y %H:%M UTC")


def _commissioning(parts: Parts) -> str:
    """Whether anything is written, and who has seen to it."""
    commissioned = parts.scanner.state.commissioned
    if parts.actuation is None:
        return "observe-only: nothing is written, this site declares no output block"
    if commissioned is None:
        held = ", ".join(f"{tag} {code}" for tag, code in parts.actuation.registers.items())
        read = f"the controller holds {held}" if held else "the controller has not been read yet"
        return f"observe-only: nothing is written until the outputs are commissioned; {read}"
    when = _in_utc(commissioned.utc_ms)
    return f"the outputs are written: commissioned by {commissioned.person} on {when}: {commissioned.reason}"


async def run(parts: Parts, stopped: asyncio.Event, *, ready: Callable[[], None]) -> bool:
    """Run until ``stopped`` is set or a part ends by itself.

    Args:
        parts: from ``assembly``.
        stopped: set by a signal.
        ready: called once everything runs.

    Returns:
        Whether it was stopped in order: nothing ended by itself.
    """
    await parts.server.start()
    works = [
        parts.scanner.run(),
        parts.recorder.run(),
        parts.housekeeper.run(),
        *(poller.run() for poller in parts.pollers),
    ]
    works += [part.run() for part in (parts.actuation, parts.own_tags) if part is not None]
    running = [asyncio.create_task(work) for work in works]
    told = asyncio.create_task(_heard(stopped))
    ready()
    done, _ = await asyncio.wait([told, *running], return_when=asyncio.FIRST_COMPLETED)
    for task in done - {told}:
        _log.error("a part of the field process ended by itself", exc_info=task.exception())
    await _stop(parts, [told, *running], in_order=told in done)
    return told in done


async def _heard(stopped: asyncio.Event) -> None:
    await stopped.wait()


def _scan_once_more(scanner: Scanner) -> None:
    """So that the end is in the record; if scanning is what failed, what waits is still to be committed."""
    try:
        scanner.once()
    except Exception:  # noqa: BLE001 - whatever failed, the record has to be closed
        _log.exception("the last scan failed; the record ends without a word about the stop")


async def _stop(parts: Parts, running: Sequence["asyncio.Task[None]"], *, in_order: bool) -> None:
    """Withdraw the permissions and prove it, then record the end, then let go of everything."""
    proven = True if parts.actuation is None else await parts.actuation.stop(_WITHDRAWN_WITHIN_S)
    for task in running:
        task.cancel()
    await asyncio.gather(*running, return_exceptions=True)
    why = "stopped in order" if in_order else "a part ended by itself"
    parts.scanner.journal(Event(kind=EventKind.STOP, reason=why, facts={"permission_withdrawn": proven}))
    _scan_once_more(parts.scanner)
    await parts.recorder.finish(_COMMITTED_WITHIN_S)
    await parts.server.close()
    parts.database.close(_COMMITTED_WITHIN_S)
    parts.housekeeper.hold_ballast_for_next_start()
    parts.clock.close()
