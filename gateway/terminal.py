"""Messages of the local socket as text for a terminal. Words and layout only; asks and decides nothing. Pure."""

from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from datetime import UTC, datetime, tzinfo

from gateway.core.quality import SENTENCES, Reason
from gateway.local.messages import (
    AlarmStatus,
    Answered,
    InterlockStatus,
    JournalEntry,
    ListItem,
    OutputStatus,
    Status,
    TagValue,
)

_QUIET = "READY"
_NORMAL = "NORM"
_HOURS_IN_DAYS = 48  # from here on a length is said in days
_ALARM_WORDS = {
    "UNACK": "active, not acknowledged",
    "ACKED": "active, acknowledged",
    "RTNUN": "gone, not acknowledged",
    "LTUNK": "gone but latched, not acknowledged",
    "LTACK": "gone but latched",
    "SHLVD": "shelved",
    "DSUPR": "suppressed by design",
    "OOSRV": "out of service",
}


def at(utc_ms: int, zone: tzinfo) -> str:
    """A moment in site time."""
    return datetime.fromtimestamp(utc_ms / 1000, UTC).astimezone(zone).strftime("%a %d %b %Y %H:%M:%S")


def status_text(status: Status, site_name: str, zone: tzinfo) -> str:
    """Delivering or not, why, since when, what a release needs, and what is put aside."""
    lines = [f"{site_name}, {at(status.utc_ms, zone)}", *_observing(status), ""]
    for output in status.outputs:
        lines += _output(output, zone, observing=status.observing)
    lines += _section("Interlocks that are not ready", _interlocks(status.interlocks, zone))
    lines += put_aside_lines(status, zone)
    lines += _section("In shadow, acting on nothing", _shadows(status.interlocks))
    announced = {tag for hold in status.holds for tag in hold.tags}
    lines += _section("Held by the instrument itself", [tag for tag in status.held if tag not in announced])
    lines += _section("Alarms", (_alarm_line(one, zone) for one in status.alarms))
    lines += _section("Readings that cannot be used", (_bad(tag) for tag in status.tags if tag.quality == "bad"))
    lines += _section("Note", status.notes)
    return "\n".join(lines).rstrip()


def _observing(status: Status) -> list[str]:
    return ["OBSERVE-ONLY: nothing is written; levels are what would be commanded."] if status.observing else []


def _output(output: OutputStatus, zone: tzinfo, *, observing: bool) -> Iterator[str]:
    confirmed = "read back from the controller" if output.confirmed else "NOT READ BACK from the controller"
    confirmed = "not written" if observing else confirmed
    proof = ", position proven" if output.proven else ""
    yield f"{output.output}: {output.level} since {at(output.since_utc_ms, zone)}, {confirmed}{proof}"
    yield f"  {output.service}"
    if output.reasons:
        yield f"  held by: {', '.join(output.reasons)}"
    if output.release:
        yield "  to release it:"
        yield from (f"    {line}" for line in tick_lines(output.release))
    if output.returns:
        yield "  comes back by itself with:"
        yield from (f"    {line}" for line in tick_lines(output.returns))
    yield ""


def tick_lines(items: Sequence[ListItem]) -> Iterator[str]:
    """A tick list, satisfied items marked with an x."""
    for item in items:
        detail = f" ({item.detail})" if item.detail else ""
        wait = f", at the earliest in {_duration(item.wait_s)}" if item.wait_s and not item.satisfied else ""
        yield f"[{'x' if item.satisfied else ' '}] {item.text}{detail}{wait}"


def _duration(seconds: float) -> str:
    minutes, rest = divmod(round(seconds), 60)
    return f"{minutes} min {rest} s" if minutes else f"{rest} s"


def _section(title: str, lines: Iterator[str] | Sequence[str]) -> list[str]:
    found = list(lines)
    return [f"{title}:", *(f"  {line}" for line in found), ""] if found else []


def _interlocks(interlocks: Sequence[InterlockStatus], zone: tzinfo) -> Iterator[str]:
    for one in interlocks:
        if one.state != _QUIET and not one.bypassed_until_utc_ms:
            cause = f", by {one.cause}" if one.cause else ""
            yield f"{one.interlock} {one.state.lower()} since {at(one.since_utc_ms, zone)}{cause}: {one.service}"


def put_aside_lines(status: Status, zone: tzinfo) -> list[str]:
    """Every bypass and hold that stands, with its owner and its end; belongs on every list that people look at."""
    lines = _section("Bypassed", _bypasses(status.interlocks, zone))
    return lines + _section("Held by people", _holds(status, zone))


def _bypasses(interlocks: Sequence[InterlockStatus], zone: tzinfo) -> Iterator[str]:
    for one in interlocks:
        if one.bypassed_until_utc_ms:
            would = ", WOULD TRIP" if one.would_trip else ""
            yield (
                f"{one.interlock} until {at(one.bypassed_until_utc_ms, zone)}"
                f"{_by(one.bypassed_by, one.bypassed_because)}{would} ({one.service})"
            )


def _holds(status: Status, zone: tzinfo) -> Iterator[str]:
    for one in status.holds:
        tags = "" if one.tags == (one.subject,) else f" ({', '.join(one.tags)})"
        end = f"planned until {at(one.until_utc_ms, zone)}"
        if one.over:
            end = "over, does not count yet"
        elif one.until_utc_ms <= status.utc_ms:
            end = f"OVERDUE, was planned until {at(one.until_utc_ms, zone)}"
        yield f"{one.subject}{tags} {end}{_by(one.held_by, one.because)}"


def _shadows(interlocks: Sequence[InterlockStatus]) -> Iterator[str]:
    for one in interlocks:
        if one.shadow:
            yield f"{one.interlock} {'WOULD TRIP' if one.would_trip else 'quiet'}: {one.service}"


def _alarm_line(one: AlarmStatus, zone: tzinfo) -> str:
    value = f", now {one.value}" if one.value else ""
    state = _ALARM_WORDS.get(one.state, one.state)
    since = f" since {at(one.since_utc_ms, zone)}" if one.since_utc_ms else ""
    number = f" #{one.occurrence}" if one.occurrence else ""
    return f"{one.priority} {one.alarm}{number} {state}{since}: {one.says}{value}"


def alarms_text(status: Status, zone: tzinfo, wanted: Collection[str] = ()) -> str:
    """Every alarm that is not plain normal: time left, what hides it, what happens otherwise and what to do.

    Args:
        status: as it stands; its alarms are in the order that matters.
        zone: of the site.
        wanted: names of ``ALARM_STATES``; those in any of them are shown, and all when there is none.
    """
    found = [one for one in status.alarms if not wanted or any(ALARM_STATES[name](one) for name in wanted)]
    lines = [line for one in found for line in (_alarm_line(one, zone), *_alarm_details(one, status, zone))]
    if not found and wanted:
        lines = [f"No alarm is {' or '.join(wanted)}."]
    elif not found:
        lines = ["No alarm is active, waits for an acknowledgement, or is hidden."]
    aside = put_aside_lines(status, zone)
    return "\n".join([*lines, "", *aside] if aside else lines).rstrip()


ALARM_STATES: Mapping[str, Callable[[AlarmStatus], bool]] = {
    "active": lambda one: one.state in ("UNACK", "ACKED"),
    "unacknowledged": lambda one: one.state in ("UNACK", "RTNUN", "LTUNK"),
    "latched": lambda one: one.state in ("LTUNK", "LTACK"),
    "shelved": lambda one: one.hidden.shelved_until_utc_ms != 0,
    "suppressed": lambda one: one.hidden.suppressed_by != "",
    "out-of-service": lambda one: one.hidden.out_of_service,
}
"""By which alarms can be asked for. One that is hidden counts as hidden alone; several reasons may hide it."""


def _alarm_details(one: AlarmStatus, status: Status, zone: tzinfo) -> Iterator[str]:
    hidden = one.hidden
    if hidden.out_of_service:
        yield f"    out of service{_by(hidden.taken_by, hidden.taken_because)}"
        yield f"    meanwhile: {hidden.interim_measure}"
    if hidden.shelved_until_utc_ms:
        until = at(hidden.shelved_until_utc_ms, zone)
        yield f"    shelved until {until}{_by(hidden.shelved_by, hidden.shelved_because)}"
    if hidden.suppressed_by:
        yield f"    suppressed by {hidden.suppressed_by}"
    if one.seen_as not in (one.state, _NORMAL):
        yield f"    behind that: {_ALARM_WORDS.get(one.seen_as, one.seen_as)}"
    if one.respond_by_utc_ms:
        yield f"    {_time_left(one.respond_by_utc_ms, status.utc_ms, zone)}"
    if one.caused_by:
        yield f"    follows from {one.caused_by}"
    yield f"    otherwise: {one.consequence}"
    yield f"    to do: {one.action}"


def _by(person: str, because: str) -> str:
    return (f" by {person}" if person else "") + (f": {because}" if because else "")


def _time_left(by_utc_ms: int, now_utc_ms: int, zone: tzinfo) -> str:
    """Minutes are rounded towards having less time."""
    left_min = (by_utc_ms - now_utc_ms) // 60_000
    if left_min < 0:
        return f"OVERDUE by {long_time(-left_min)}: action was to begin by {at(by_utc_ms, zone)}"
    return f"action has to begin within {long_time(left_min)}, by {at(by_utc_ms, zone)}"


def long_time(minutes: int) -> str:
    """Minutes as hours and minutes, or days and hours."""
    hours, rest = divmod(minutes, 60)
    if hours >= _HOURS_IN_DAYS:
        return f"{hours // 24} d {hours % 24} h"
    return f"{hours} h {rest} min" if hours else f"{rest} min"


_VALUE_WIDTH = 21  # of a number with its unit


def tags_text(status: Status, zone: tzinfo, units: dict[str, str]) -> str:
    """Every tag with its newest value, or why it has none; above them whether nothing is written."""
    width = max((len(tag.tag) for tag in status.tags), default=0)
    return "\n".join([*_observing(status), *(f"{tag.tag:<{width}}  {_value(tag, units, zone)}" for tag in status.tags)])


def _value(tag: TagValue, units: dict[str, str], zone: tzinfo) -> str:
    stamp = f"  {at(tag.utc_ms, zone)}" if tag.utc_ms else ""
    if tag.text is not None:
        return f"{tag.text:<{_VALUE_WIDTH}}{stamp}"
    if tag.value is None:
        return f"{'-':>12} {'':8} {SENTENCES[Reason(tag.reason)]}{stamp}"
    marked = "" if tag.quality == "good" else f" {tag.quality}: {SENTENCES[Reason(tag.reason)]}"
    if tag.in_words:
        return f"{tag.in_words:<{_VALUE_WIDTH}}{stamp}{marked}"
    return f"{tag.value:>12.6g} {units.get(tag.tag, ''):8}{stamp}{marked}"


def _bad(tag: TagValue) -> str:
    return f"{tag.tag}: {SENTENCES[Reason(tag.reason)]}"


def commissioning_text(status: Status, registers: Sequence[tuple[str, str, str]]) -> str:
    """What will be written once the outputs are commissioned.

    Args:
        status: as it stands.
        registers: tag, place and output of each; the one without an output is the heartbeat.
    """
    levels = {one.output: one.level for one in status.outputs}
    lines = [
        f"  {tag}, {place}: " + (f"{output} {levels.get(output, '')}" if output else "the heartbeat")
        for tag, place, output in registers
    ]
    return "\n".join(["These registers are written, and as it stands now with:", *lines])


def answer_text(answer: Answered) -> str:
    """What became of a request, with its tick list if it has one."""
    lines = [("" if answer.granted else "Refused. ") + answer.text, *tick_lines(answer.items)]
    return "\n".join(lines)


def journal_text(entries: Sequence[JournalEntry], zone: tzinfo) -> str:
    """Lines of the journal, oldest first."""
    return "\n".join(_entry(entry, zone) for entry in entries) or "The journal is empty."


def _entry(entry: JournalEntry, zone: tzinfo) -> str:
    words = [f"{entry.n:>6}", at(entry.utc_ms, zone), entry.kind, entry.subject]
    if entry.occurrence:
        words.append(f"#{entry.occurrence}")
    words += [f"({entry.reason})"] if entry.reason else []
    words += [f"by {entry.person}"] if entry.person else []
    words += [f"{name}={_fact(value)}" for name, value in entry.facts.items()]
    return " ".join(word for word in words if word)


def _fact(value: str | float) -> str:  # a bool is an int, and an int is a float here
    return f"{value:g}" if isinstance(value, float) else str(value)
