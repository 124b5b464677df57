"""The story of one occurrence of an alarm, from the journal alone. Pure.

Onset, alarm, values and limits then in force, what the plant did, who did
what, how long it took. It reaches from the onset until the alarm sounds the next time. Of what
the plant did it tells what the alarm's own interlocks and outputs did: those
that look at the same tags, and those the alarm itself is about. Lengths are
the running clock's within one run of the gateway and the wall clock's between.
"""

from collections.abc import Iterable, Iterator, Sequence
from datetime import tzinfo

from gateway.core.alarm import AlarmRule
from gateway.core.condition import Tripped, Unproven, Unwritable, WrittenOver, tags_of
from gateway.core.outcome import EventKind
from gateway.core.plant import Plant
from gateway.local.messages import JournalEntry
from gateway.reports.wording import lasting, moment

_OVER = frozenset({EventKind.RTN.value, EventKind.RESET.value})
_TOLD_ABOVE = frozenset({"state_before", "state_after", "request", "role", "origin", "onset_ms_ago"})
_IN_WORDS = {
    EventKind.ALARM: "ALARM",
    EventKind.RTN: "returned to normal",
    EventKind.ACK: "acknowledged",
    EventKind.EXPLAINED: "explained",
    EventKind.HIDDEN_CHANGE: "moved while hidden",
    EventKind.FIRST_OUT: "was the first of its group",
    EventKind.LEVEL: "is to stand at another level",
}


class NotTold(Exception):  # noqa: N818 - named for what is the case
    """There is no such story; the text says what there is."""


def alarm_story(entries: Sequence[JournalEntry], plant: Plant, alarm: str, occurrence: int, zone: tzinfo) -> str:
    """The story as text.

    Args:
        entries: the journal, in order.
        plant: as it is configured today, for the words and for what belongs to the alarm.
        alarm: id.
        occurrence: its number, 0 for the newest.
        zone: of the site.

    Raises:
        NotTold: the record knows of no such occurrence.
    """
    start, after = _place(entries, alarm, occurrence)
    lines = list(_lines(entries, _belonging(plant, alarm), start, after))
    rule = next((one for one in plant.alarms if one.id == alarm), None)
    return "\n".join(
        [
            *_head(entries[start], rule, zone),
            "",
            *_sums(entries[start], lines, rule),
            "",
            *_told(lines, entries[start], zone),
            "",
        ]
    )


def _place(entries: Sequence[JournalEntry], alarm: str, occurrence: int) -> tuple[int, int]:
    """Where the occurrence begins, and where the next one does; of several with one number, the newest."""
    places = [at for at, one in enumerate(entries) if one.kind == EventKind.ALARM.value and one.subject == alarm]
    if not places:
        raise NotTold(f"{alarm} has not sounded in this record; is it the name of an alarm?")
    wanted = [at for at in places if occurrence in (0, entries[at].occurrence)]
    if not wanted:
        numbers = ", ".join(f"{entries[at].occurrence}" for at in places[-10:])
        raise NotTold(f"{alarm} has no occurrence {occurrence} in this record; its newest are {numbers}")
    return wanted[-1], next((at for at in places if at > wanted[-1]), len(entries))


def _belonging(plant: Plant, alarm: str) -> frozenset[str]:
    """Interlocks and outputs that act on what the alarm looks at, or that it is about."""
    rule = next((one for one in plant.alarms if one.id == alarm), None)
    if rule is None:
        return frozenset()
    tags = {*tags_of(rule.condition), *((rule.value_tag,) if rule.value_tag else ())}
    about = _about(rule)
    interlocks = [
        one
        for one in plant.interlocks
        if one.id == about
        or any(tags & set(tags_of(condition)) for cause in one.causes for condition in cause.inputs)
        or any(effect.output == about for effect in one.effects)
    ]
    outputs = {effect.output for one in interlocks for effect in one.effects}
    return frozenset({about, *outputs, *(one.id for one in interlocks)}) - {""}


def _about(rule: AlarmRule) -> str:
    match rule.condition:
        case Tripped():
            return rule.condition.interlock
        case Unproven() | Unwritable() | WrittenOver():
            return rule.condition.output
    return ""


def _lines(
    entries: Sequence[JournalEntry], belonging: frozenset[str], start: int, after: int
) -> Iterator[JournalEntry]:
    """Own lines until the next occurrence; those of the plant until it is over and something new begins."""
    first, over = entries[start], False
    for at, entry in enumerate(entries):
        if entry.subject == first.subject:
            if _of_this(entry, first) if start <= at < after else at > after and _explains(entry, first):
                over = over or entry.kind in _OVER
                yield entry
        elif start <= at < after and _groups(entry, first.subject):
            yield entry
        elif over and entry.kind == EventKind.TRIP.value:
            belonging = frozenset()
        elif entry.subject in belonging and at < after and (at >= start or _within_onset(entry, first)):
            yield entry


def _of_this(entry: JournalEntry, first: JournalEntry) -> bool:
    return entry.kind != EventKind.EXPLAINED.value or entry.occurrence == first.occurrence


def _explains(entry: JournalEntry, first: JournalEntry) -> bool:
    return entry.kind == EventKind.EXPLAINED.value and entry.occurrence == first.occurrence


def _groups(entry: JournalEntry, alarm: str) -> bool:
    """Several alarms have one cause, and this one is among them."""
    return entry.kind == EventKind.CAUSE_GROUP.value and alarm in str(entry.facts.get("alarms", "")).split(", ")


def _within_onset(entry: JournalEntry, first: JournalEntry) -> bool:
    return entry.n < first.n and entry.run == first.run and entry.monotonic_ms >= first.monotonic_ms - _onset_ms(first)


def _onset_ms(first: JournalEntry) -> int:
    """How long the condition had stood when it became an alarm."""
    ago = first.facts.get("onset_ms_ago", 0)
    return ago if isinstance(ago, int) else 0


# --- in words ---


def _head(first: JournalEntry, rule: AlarmRule | None, zone: tzinfo) -> Iterator[str]:
    says = rule.text.says if rule is not None else "not declared any more"
    yield f"{first.subject}, occurrence {first.occurrence}: {says}"
    yield f"in condition since {moment(first.utc_ms - _onset_ms(first), zone)}, alarm at {moment(first.utc_ms, zone)}"
    yield "then in force: " + _facts(first)
    if rule is not None:
        yield f"usual cause: {rule.text.cause}"
        yield f"to do: {rule.text.action}"
        if rule.revision and first.facts.get("revision", rule.revision) != rule.revision:
            yield "the alarm has been changed since; its words here are today's"


def _sums(first: JournalEntry, lines: Iterable[JournalEntry], rule: AlarmRule | None) -> Iterator[str]:
    """How long it took."""
    acked = next((one for one in lines if one.kind == EventKind.ACK.value), None)
    returned = next((one for one in lines if one.kind == EventKind.RTN.value), None)
    explained = [one for one in lines if one.kind == EventKind.EXPLAINED.value]
    yield f"from onset to alarm: {lasting(_onset_ms(first))}"
    yield f"to acknowledgement: {_after(first, acked)}" + (f", by {acked.person}" if acked is not None else "")
    yield f"until it returned: {_after(first, returned)}"
    if rule is not None:
        yield f"time allowed to respond: {lasting(rule.text.respond_within_ms)}"
    for name in ("cause", "corrective_action"):
        said = [str(one.facts[name]) for one in explained if name in one.facts]
        yield f"{name.replace('_', ' ')}: {'; '.join(said) or 'not entered yet'}"


def _after(first: JournalEntry, entry: JournalEntry | None) -> str:
    return "not yet" if entry is None else lasting(_later_ms(first, entry))


def _later_ms(first: JournalEntry, entry: JournalEntry) -> int:
    if first.run == entry.run:
        return entry.monotonic_ms - first.monotonic_ms
    return entry.utc_ms - first.utc_ms


def _told(lines: Iterable[JournalEntry], first: JournalEntry, zone: tzinfo) -> Iterator[str]:
    yield "what happened:"
    for one in lines:
        later_ms = _later_ms(first, one)
        sign = "-" if later_ms < 0 else "+"
        yield f"  {one.n:>6}  {moment(one.utc_ms, zone)}  {sign}{lasting(abs(later_ms))}  {_line(one)}"


def _line(entry: JournalEntry) -> str:
    words = [entry.subject, _kind(entry.kind)]
    words += [f"({entry.reason})"] if entry.reason else []
    words += [f"by {entry.person}"] if entry.person else []
    facts = "" if entry.kind == EventKind.ALARM.value else _facts(entry)
    return " ".join(words) + (f": {facts}" if facts else "")


def _kind(kind: str) -> str:
    try:
        return _IN_WORDS.get(EventKind(kind), kind.replace("_", " "))
    except ValueError:  # of another version of the program
        return kind.replace("_", " ")


def _facts(entry: JournalEntry) -> str:
    shown = [(name, value) for name, value in entry.facts.items() if name not in _TOLD_ABOVE and value != ""]
    return ", ".join(f"{name.replace('_', ' ')} {_fact(value)}" for name, value in shown)


def _fact(value: str | float) -> str:  # a bool is an int, and an int is a float here
    if isinstance(value, bool):
        return "yes" if value else "no"
    return f"{value:g}" if isinstance(value, float) else str(value)
