"""What has been changed since the newest line of the journal was written: one event for each key, old and new value.

Compares the configuration that a start finds with the one its record was last
written under. Nobody asks the gateway for such a change, it finds it at the
start. Who made it, and why, it knows when the configuration says so itself
(``changed_by``, ``changed_because``) and has another reason than before; else
nobody has signed for it, and that is told.
"""

from dataclasses import dataclass, replace

from gateway.configuration.changes import Change, NotReadable, changes
from gateway.core.outcome import Event, EventKind, Fact
from gateway.store import configurations, journal
from gateway.store.database import Database, Reader
from gateway.store.errors import StoreDamaged

_NOT_KNOWN = "the configuration before is not known"
_UNSIGNED = "nobody has signed for it"
_SIGNATURE = ("changed_by", "changed_because")


@dataclass(frozen=True, slots=True, kw_only=True)
class Signature:
    """What the configuration in force says of its last change."""

    person: str = ""
    because: str = ""


def changed_since(database: Database, configuration: str, document: str, signature: Signature) -> tuple[Event, ...]:
    """Events for the journal of this start, in a fixed order; none after the same configuration.

    Args:
        database: the plant's store, with everything that earlier runs have written.
        configuration: hash of the one in force now.
        document: its canonical text.
        signature: of its last change, as it stands there.
    """
    with database.reader() as reader:
        before = _configuration_before(reader)
        if before in ("", configuration):
            return ()
        try:
            kept = configurations.fetch(reader, before)
        except StoreDamaged:
            kept = None
    if kept is None:
        return (_unknown(before, configuration),)
    try:
        found = changes(kept.decode("ascii", "replace"), document)
    except NotReadable:
        return (_unknown(before, configuration),)
    signed = any(one.key == "changed_because" and one.section == "site" for one in found)
    events = [_event(one) for one in found if not (one.section == "site" and one.key in _SIGNATURE)]
    if not (signed and signature.person and signature.because):
        return tuple(replace(one, reason=_UNSIGNED) for one in events)
    return tuple(
        replace(one, person=signature.person, facts={**one.facts, "because": signature.because}) for one in events
    )


def _configuration_before(reader: Reader) -> str:
    """Of the newest line that is whole; empty when there is none. A start that never wrote a line does not count."""
    head = journal.newest(reader)
    newest = journal.read_entries(reader, head.n - 1, 1)
    return newest[0].configuration if newest else ""


def _event(change: Change) -> Event:
    facts: dict[str, Fact] = {"section": change.section, "key": change.key, "old": change.old, "new": change.new}
    return Event(kind=EventKind.LIMIT_CHANGE, subject=change.entry or change.section, facts=facts)


def _unknown(before: str, now: str) -> Event:
    return Event(kind=EventKind.LIMIT_CHANGE, reason=_NOT_KNOWN, facts={"old": before, "new": now})
