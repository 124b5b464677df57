"""Whether the journal of a stopped site, or of a copy of its record, is what was written. Changes nothing in it."""

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from gateway.replay.stopped import RecordUnreadable
from gateway.store import journal
from gateway.store.database import offline
from gateway.store.errors import StoreError
from gateway.store.findings import Finding
from gateway.store.journal import Head


@dataclass(frozen=True, slots=True, kw_only=True)
class Verified:
    """What a check found.

    Args:
        findings: everything that is wrong, in order; empty when the journal is whole.
        head: the newest line there is, to be noted outside when nothing is wrong.
    """

    findings: tuple[Finding, ...]
    head: Head


def verify_journal(database: Path, known: Mapping[int, bytes]) -> Verified:
    """Check the whole chain.

    Args:
        database: the plant's store.
        known: hashes by number that were noted outside; they show a journal that was rewritten or cut as a whole.

    Raises:
        RecordUnreadable: the site is running, or the record is not there or no database any more.
    """
    try:
        with offline(database) as reader:
            return Verified(findings=tuple(journal.verify(reader, known=known)), head=journal.newest(reader))
    except StoreError as error:
        raise RecordUnreadable(str(error)) from error


def verdict_text(found: Verified) -> str:
    """The check in words; below a whole journal the line to note outside of the box."""
    if found.findings:
        count = len(found.findings)
        head = f"The journal is NOT as it was written: {count} {'place' if count == 1 else 'places'}."
        return "\n".join([head, *(f"  {one.fault.value}: {one.text}" for one in found.findings)])
    if not found.head.n:
        return "The journal is empty; there is nothing to verify yet."
    noted = f"{found.head.n}={found.head.hash.hex()}"
    return (
        f"The journal is whole: {found.head.n} lines, each chained to the one before.\n"
        f"Note this outside of the box, and check later with --known: {noted}"
    )
