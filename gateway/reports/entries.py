"""What people have entered, from the lines of the journal: as values, and as a text. Pure.

A correction stands below what it corrects; neither is hidden. Decides nothing.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, tzinfo

from gateway.core.entering import IDENTITY
from gateway.core.entry import (
    ChemicalDelivery,
    Doubt,
    Entry,
    EntryKind,
    GapReason,
    LaboratoryResult,
    Note,
    ProofTest,
    TelephoneNotice,
    Verification,
    doubtful_spans,
    entry_of,
)
from gateway.core.outcome import EventKind
from gateway.local.messages import JournalEntry


@dataclass(frozen=True, slots=True, kw_only=True)
class Entered:
    """One entry by which it is known: number, kind, and identity of its row (empty for a grab sample's check)."""

    n: int
    kind: str
    identity: str


def entered_of(lines: Sequence[JournalEntry]) -> tuple[Entered, ...]:
    """Every entry of a journal by which it is known."""
    return tuple(
        Entered(n=one.n, kind=str(one.facts["entry"]), identity=str(one.facts.get(IDENTITY, "")))
        for one in lines
        if one.kind == EventKind.ENTERED.value
    )


def entries_of(lines: Sequence[JournalEntry]) -> tuple[Entry, ...]:
    """Every entry of a journal, corrected ones too, in the order in which they were entered."""
    return tuple(
        entry_of(EntryKind(str(one.facts["entry"])), n=one.n, person=one.person, facts=one.facts)
        for one in lines
        if one.kind == EventKind.ENTERED.value
    )


def entries_text(lines: Sequence[JournalEntry], zone: tzinfo, *, first: date, last: date, until_utc_ms: int) -> str:
    """The entries about a period, oldest first, and what is in doubt within it.

    Args:
        lines: the whole journal.
        zone: of the site.
        first: day of the period, by the site's calendar.
        last: day of the period, within it.
        until_utc_ms: until when the record goes; what is in doubt without an end ends there.
    """
    found = entries_of(lines)
    corrections = {one.corrects for one in found}
    heads = [one for one in found if not one.corrects and first <= _day(when(one), zone) <= last]
    told = [text for one in sorted(heads, key=lambda one: (when(one), one.n)) for text in _with(one, found, zone)]
    doubts = doubtful_spans([one for one in found if isinstance(one, Verification)], until_utc_ms)
    told += [_doubt(one, zone) for one in doubts if _day(one.from_utc_ms, zone) <= last]
    told += _next_checks(found, corrections, zone, until_utc_ms)
    return "\n".join(told) or f"Nothing was entered about {first} to {last}."


def when(entry: Entry) -> int:
    """The moment an entry is about, milliseconds UTC."""
    match entry:
        case LaboratoryResult():
            return entry.sampled_utc_ms
        case GapReason():
            return entry.from_utc_ms
        case Verification() | Note() | ChemicalDelivery() | TelephoneNotice() | ProofTest():
            return entry.utc_ms


def _with(entry: Entry, found: Sequence[Entry], zone: tzinfo, depth: int = 0) -> Iterator[str]:
    """An entry, and below it whatever corrects it."""
    mark = "" if not depth else f"corrects {entry.corrects} ({entry.reason}): "
    yield f"{entry.n:>7}  {'    ' * depth}{mark}{_at(when(entry), zone)}  {_words(entry, zone)}; by {entry.person}"
    for one in found:
        if one.corrects == entry.n:
            yield from _with(one, found, zone, depth + 1)


def _words(entry: Entry, zone: tzinfo) -> str:
    match entry:
        case LaboratoryResult():
            return _laboratory(entry, zone)
        case Verification():
            passed = "passed" if entry.passed else "FAILED"
            due = f", next due {_at(entry.next_due_utc_ms, zone)}" if entry.next_due_utc_ms else ""
            lot = f", lot {entry.standard_lot}" if entry.standard_lot else ""
            return (
                f"{entry.kind} of {entry.tag}: standard {entry.standard:g}, as found {entry.as_found:g}, "
                f"as left {entry.as_left:g}, band {entry.band}: {passed}{lot}{due}"
            )
        case GapReason() | Note() | ChemicalDelivery():
            return _told(entry, zone)
        case TelephoneNotice():
            words = f": {entry.text}" if entry.text else ""
            return f"telephone notice to {entry.to} of what began {_at(entry.from_utc_ms, zone)}{words}"
        case ProofTest():
            due = f", next due {_at(entry.next_due_utc_ms, zone)}" if entry.next_due_utc_ms else ""
            words = f": {entry.text}" if entry.text else ""
            return f"proof test of {entry.function}: {'passed' if entry.passed else 'FAILED'}{words}{due}"


def _told(entry: Note | GapReason | ChemicalDelivery, zone: tzinfo) -> str:
    match entry:
        case Note():
            return f"note{f' about {entry.tag}' if entry.tag else ''}: {entry.text}"
        case GapReason():
            words = f": {entry.text}" if entry.text else ""
            return f"no data of {entry.tag} until {_at(entry.to_utc_ms, zone)}, {entry.code}{words}"
        case ChemicalDelivery():
            levels = f"tank from {entry.level_before:g} to {entry.level_after:g} {entry.unit}"
            batch = f", batch {entry.batch}" if entry.batch else ""
            return f"{entry.chemical}: {entry.amount:g} {entry.unit} of {entry.strength_percent:g} %, {levels}{batch}"


def _laboratory(entry: LaboratoryResult, zone: tzinfo) -> str:
    where = f"{entry.parameter} at {entry.point}"
    if entry.not_sampled:
        return f"{where}: not sampled, {entry.not_sampled}"
    told = f"reported {_at(entry.reported_utc_ms, zone)} by {entry.laboratory}, {entry.method}"
    return f"{where}: {entry.result.text} {entry.result.unit}, {told}"


def _doubt(doubt: Doubt, zone: tzinfo) -> str:
    begin = _at(doubt.from_utc_ms, zone) if doubt.from_utc_ms else "the beginning of the record"
    return f"In doubt: {doubt.tag} from {begin} to {_at(doubt.to_utc_ms, zone)}, since check {doubt.failed} failed."


def _next_checks(found: Sequence[Entry], corrected: set[int], zone: tzinfo, now_utc_ms: int) -> Iterator[str]:
    checks = [one for one in found if isinstance(one, Verification) and one.n not in corrected and one.next_due_utc_ms]
    newest = {one.tag: one for one in sorted(checks, key=lambda one: (one.utc_ms, one.n))}
    for tag, one in sorted(newest.items()):
        overdue = ": OVERDUE" if one.next_due_utc_ms <= now_utc_ms else ""
        yield f"Next check of {tag}: {_at(one.next_due_utc_ms, zone)}{overdue}"


def _local(utc_ms: int, zone: tzinfo) -> datetime:
    return datetime.fromtimestamp(utc_ms / 1_000, UTC).astimezone(zone)


def _day(utc_ms: int, zone: tzinfo) -> date:
    return _local(utc_ms, zone).date()


def _at(utc_ms: int, zone: tzinfo) -> str:
    return _local(utc_ms, zone).strftime("%a %d %b %Y %H:%M")
