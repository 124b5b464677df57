"""Whether the record of a stopped site decides the same again, run by run.

Reads under the lock of the store, and writes nothing.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import zip_longest
from pathlib import Path

from gateway.configuration.plant import LoadedSite
from gateway.core.state import rules_of
from gateway.local.messages import JournalEntry
from gateway.replay.recorded import Decided, decide_again, differs, moments
from gateway.replay.stopped import RecordUnreadable, journal_lines
from gateway.store import beginnings, sample_log
from gateway.store.beginnings import Begun
from gateway.store.chunk import Contents
from gateway.store.database import Reader, offline
from gateway.store.errors import StoreError
from gateway.store.scan_state import Unreadable, from_bytes

OF_THE_PROCESS = frozenset(
    {"afar_refused", "gap", "record_sealed", "stop", "store_replaced"}
)  # of the field process, no scan's
_PAGE_BYTES = 1_000_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Checked:
    """One run, decided again.

    Args:
        run: its number.
        scans: how many could be decided again.
        samples: that went into them.
        decisions: journal lines compared.
        differences: what was different, the first hundred.
        skipped: why the run was not decided again; empty when it was.
    """

    run: int
    scans: int = 0
    samples: int = 0
    decisions: int = 0
    differences: tuple[str, ...] = ()
    skipped: str = ""


def check_record(loaded: LoadedSite, database: Path) -> list[Checked]:
    """Decide every run of a stopped site again and compare with its journal.

    Args:
        loaded: the site; runs made under another configuration are skipped.
        database: the plant's store.

    Raises:
        RecordUnreadable: the site is running, or the record is damaged or not there; the text says which.
    """
    try:
        with offline(database) as reader:
            entries = journal_lines(reader)
            return [_check(loaded, reader, begun, entries) for begun in beginnings.fetch_all(reader)]
    except (StoreError, Unreadable) as error:
        raise RecordUnreadable(str(error)) from error


def in_words(checked: Checked) -> str:
    """What a check found, for a person."""
    if checked.skipped:
        return f"run {checked.run}: not decided again, {checked.skipped}"
    head = (
        f"run {checked.run}: {checked.scans} scans with {checked.samples} readings decided again, "
        f"{checked.decisions} lines of the journal compared"
    )
    if not checked.differences:
        return f"{head}: all the same" if checked.decisions else f"{head}: nothing was decided in it, then or now"
    return "\n".join([f"{head}: {len(checked.differences)} DIFFERENT", *(f"  {one}" for one in checked.differences)])


def _check(loaded: LoadedSite, reader: Reader, begun: Begun, entries: list[JournalEntry]) -> Checked:
    if begun.configuration != loaded.hash:
        return Checked(run=begun.run, skipped="made under another configuration")
    chunks = list(_chunks(reader, begun.run))
    if not chunks:
        return Checked(run=begun.run, skipped="no readings of it are in the record")
    given = list(moments(chunks))
    last = given[-1][0]
    mine = [entry for entry in entries if entry.run == begun.run][begun.said :]
    recorded = [entry for entry in mine if entry.kind not in OF_THE_PROCESS and entry.scan <= last]
    decided = list(decide_again(rules_of(loaded.plant), from_bytes(begun.state), given))
    return Checked(
        run=begun.run,
        scans=len(given),
        samples=sum(len(chunk.rows) for chunk in chunks),
        decisions=len(recorded),
        differences=tuple(_differences(recorded, decided))[:100],
    )


def _differences(recorded: list[JournalEntry], decided: list[Decided]) -> Iterator[str]:
    for entry, again in zip_longest(recorded, decided):
        if entry is None:
            yield f"scan {again.scan}: {again.event.kind.value} {again.event.subject} is decided now and was not then"
        elif again is None:
            yield f"line {entry.n}: {entry.kind} {entry.subject} was decided then and is not now"
        elif different := differs(entry, again):
            yield f"line {entry.n}: {different}"


def _chunks(reader: Reader, run: int) -> Iterator[Contents]:
    after_n = 0
    while found := sample_log.read_after(reader, after_n, _PAGE_BYTES):
        for header, body in found:
            if header.run == run:
                yield sample_log.unpack(header, body)
        after_n = found[-1][0].last_n
