"""Failures that raised an alarm: time, cause and corrective action of each (22 CCR 60329). Values in, text out.

A failure begins with an ALARM line and lasts until the alarm returns; calling
again meanwhile belongs to it. Causes and corrective actions are entered
afterwards, each by itself and as often as there is something to say: a later
entry stands beside the earlier ones, and nothing is ever replaced. A failure
is open until it has at least one of each.

Occurrence numbers begin again when a start finds no saved state, so an entry
belongs to the newest failure that bears its number.
"""

import csv
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, tzinfo
from io import StringIO

from gateway.core.outcome import EventKind
from gateway.local.messages import JournalEntry
from gateway.reports.wording import lasting, moment

HEAD = (
    "alarm",
    "occurrence",
    "priority",
    "says",
    "onset",
    "alarmed",
    "returned",
    "cause",
    "cause_entered",
    "corrective_action",
    "corrective_action_entered",
    "open",
)
_LATCHED = ("LTUNK", "LTACK")


@dataclass(frozen=True, slots=True, kw_only=True)
class Entered:
    """One entry of a person."""

    text: str
    person: str
    utc_ms: int


@dataclass(slots=True, kw_only=True)
class Failure:
    """One failure.

    Args:
        alarm: id.
        occurrence: number of its first annunciation.
        priority: as it was then.
        onset_utc_ms: since when the condition stood.
        alarmed_utc_ms: when it was annunciated.
        returned_utc_ms: when it returned to normal; None as long as it has not.
        causes: what people entered, in order.
        actions: corrective actions, likewise.
    """

    alarm: str
    occurrence: int
    priority: str
    onset_utc_ms: int
    alarmed_utc_ms: int
    returned_utc_ms: int | None = None
    causes: list[Entered] = field(default_factory=list)
    actions: list[Entered] = field(default_factory=list)

    @property
    def open(self) -> bool:
        """Whether the cause or the corrective action is still to be entered."""
        return not (self.causes and self.actions)


def failures(entries: Iterable[JournalEntry]) -> list[Failure]:
    """Every failure of a journal, in the order in which they were annunciated."""
    found: list[Failure] = []
    newest: dict[str, Failure] = {}
    by_number: dict[tuple[str, int], Failure] = {}
    for entry in entries:
        failure = newest.get(entry.subject)
        if entry.kind == EventKind.ALARM.value:
            if failure is None or not _goes_on(failure, entry):
                failure = _begun(entry)
                found.append(failure)
            newest[entry.subject] = by_number[entry.subject, entry.occurrence] = failure
        elif entry.kind == EventKind.EXPLAINED.value:
            _explain(by_number.get((entry.subject, entry.occurrence)), entry)
        elif failure is not None and failure.returned_utc_ms is None and _returns(entry):
            failure.returned_utc_ms = entry.utc_ms
    return found


def _goes_on(failure: Failure, entry: JournalEntry) -> bool:
    """An annunciation of a failure that stands, or that only its latch still tells of."""
    return failure.returned_utc_ms is None or entry.facts.get("state_after") in _LATCHED


def _begun(entry: JournalEntry) -> Failure:
    onset_ms_ago = entry.facts.get("onset_ms_ago", 0)
    return Failure(
        alarm=entry.subject,
        occurrence=entry.occurrence,
        priority=str(entry.facts.get("priority", "")),
        onset_utc_ms=entry.utc_ms - (onset_ms_ago if isinstance(onset_ms_ago, int) else 0),
        alarmed_utc_ms=entry.utc_ms,
    )


def _returns(entry: JournalEntry) -> bool:
    """To normal; behind a reason to hide it, too."""
    return entry.kind == EventKind.RTN.value or (
        entry.kind == EventKind.HIDDEN_CHANGE.value and entry.reason == EventKind.RTN.value
    )


def _explain(failure: Failure | None, entry: JournalEntry) -> None:
    if failure is None:
        return
    for name, entered in (("cause", failure.causes), ("corrective_action", failure.actions)):
        if name in entry.facts:
            entered.append(Entered(text=str(entry.facts[name]), person=entry.person, utc_ms=entry.utc_ms))


# --- as text and as CSV ---


def failures_text(found: Sequence[Failure], says: Mapping[str, str], zone: tzinfo) -> str:
    """A block for each failure, and how many are open.

    Args:
        found: what to tell of.
        says: alarm id to its words; one that is not declared any more has none.
        zone: of the site.
    """
    if not found:
        return "No failure to tell of.\n"
    still = sum(one.open for one in found)
    lines = [line for one in found for line in _block(one, says, zone)]
    return "\n".join([*lines, f"{_counted(len(found))}, {still} of them open", ""])


def _counted(count: int) -> str:
    return "1 failure" if count == 1 else f"{count} failures"


def _block(one: Failure, says: Mapping[str, str], zone: tzinfo) -> Iterator[str]:
    words = f": {says[one.alarm]}" if one.alarm in says else ""
    yield f"{'OPEN ' if one.open else ''}{one.alarm} #{one.occurrence} {one.priority}{words}"
    yield f"    from {moment(one.onset_utc_ms, zone)}, alarm at {moment(one.alarmed_utc_ms, zone)}, {_until(one, zone)}"
    for name, entered in (("cause", one.causes), ("corrective action", one.actions)):
        yield from (f"    {name}: {_entered(each, zone)}" for each in entered)
        if not entered:
            yield f"    {name}: not entered yet"


def _until(one: Failure, zone: tzinfo) -> str:
    if one.returned_utc_ms is None:
        return "has not returned"
    return f"until {moment(one.returned_utc_ms, zone)} ({lasting(one.returned_utc_ms - one.onset_utc_ms)})"


def _entered(one: Entered, zone: tzinfo) -> str:
    return f"{one.text} ({one.person}, {moment(one.utc_ms, zone)})"


def failures_csv(found: Sequence[Failure], says: Mapping[str, str], zone: tzinfo) -> str:
    """One line for each failure (RFC 4180). Instants in ISO 8601; what was entered later follows a semicolon."""
    written = StringIO()
    writer = csv.writer(written)
    writer.writerow(HEAD)
    writer.writerows(_row(one, says, zone) for one in found)
    return written.getvalue()


def _row(one: Failure, says: Mapping[str, str], zone: tzinfo) -> tuple[str, ...]:
    return (
        one.alarm,
        str(one.occurrence),
        one.priority,
        says.get(one.alarm, ""),
        _iso(one.onset_utc_ms, zone),
        _iso(one.alarmed_utc_ms, zone),
        "" if one.returned_utc_ms is None else _iso(one.returned_utc_ms, zone),
        *_columns(one.causes, zone),
        *_columns(one.actions, zone),
        "yes" if one.open else "no",
    )


def _columns(entered: Sequence[Entered], zone: tzinfo) -> tuple[str, str]:
    texts = "; ".join(one.text for one in entered)
    return texts, "; ".join(f"{one.person} {_iso(one.utc_ms, zone)}" for one in entered)


def _iso(utc_ms: int, zone: tzinfo) -> str:
    return datetime.fromtimestamp(utc_ms / 1_000, UTC).astimezone(zone).isoformat(timespec="seconds")
