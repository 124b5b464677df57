"""The journal of a stopped site, read under the lock of its store. Writes nothing and decides nothing."""

from dataclasses import dataclass
from pathlib import Path

from gateway.local.messages import JournalEntry
from gateway.store import journal, machine_state
from gateway.store.database import Reader, offline
from gateway.store.errors import StoreError

_PAGE_ENTRIES = 10_000


class RecordUnreadable(Exception):  # noqa: N818 - named for what is the case
    """The record cannot be read; the text says why and what to do."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Recorded:
    """A journal.

    Args:
        entries: all of its lines that are whole, in order.
        until_utc_ms: until when the newest run is known to have lived; 0 when no state was saved.
    """

    entries: tuple[JournalEntry, ...]
    until_utc_ms: int


def recorded(database: Path) -> Recorded:
    """The journal of a stopped site.

    Args:
        database: the plant's store.

    Raises:
        RecordUnreadable: the site is running, or the record is damaged or not there; the text says which.
    """
    try:
        with offline(database) as reader:
            saved = machine_state.load(reader)
            until_utc_ms = saved.tick.utc_ms if isinstance(saved, machine_state.Saved) else 0
            return Recorded(entries=tuple(journal_lines(reader)), until_utc_ms=until_utc_ms)
    except StoreError as error:
        raise RecordUnreadable(str(error)) from error


def journal_lines(reader: Reader) -> list[JournalEntry]:
    """All lines that are whole, in order."""
    entries: list[JournalEntry] = []
    while found := journal.read_entries(reader, entries[-1].n if entries else 0, _PAGE_ENTRIES):
        entries += found
    return entries
