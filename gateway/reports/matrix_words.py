"""A cause-and-effect matrix as words: what every way to write it shares. Pure."""

from collections.abc import Iterator
from datetime import UTC, datetime

from gateway.core.condition import tags_of
from gateway.core.motor import MotorRule
from gateway.core.permissive import Quantity, ReleaseRule
from gateway.core.voting import BadVote
from gateway.reports.condition_words import Asked, asked
from gateway.reports.matrix import CauseRow, Cell, Column, Feedback, Matrix, may_be_bad
from gateway.reports.wording import lasting

SUPERVISORY = (
    "Supervisory only: this is what the gateway does beside hard-wired and local protection, which stays and acts by "
    "itself. Local codes, the permit and licensed practice decide."
)
HOW_TO_READ = (
    "Any one cause trips its interlock; any one interlock holds its outputs. Times count from the reading that shows "
    "it. An empty cell: this cause does not move this output."
)
HEAD = ("cause", "condition", "limit", "vote", "delay", "without a value", "afterwards", "bypass")
"""Heads of the columns in front of the outputs."""
AT_ONCE = "at once"


def title(found: Matrix) -> str:
    """Of what it is."""
    return f"Cause and effect of {found.about.name} ({found.about.id})"


def origin(found: Matrix) -> str:
    """Of which configuration, by which program, and when."""
    about = found.about
    return f"configuration {about.hash}, purplegate {about.version}, drawn up {when(found):%Y-%m-%d %H:%M:%S %z}"


def when(found: Matrix) -> datetime:
    """When it was drawn up, in the time of the site."""
    return datetime.fromtimestamp(found.about.utc_ms / 1_000, UTC).astimezone(found.about.zone)


def name(row: CauseRow) -> str:
    """Interlock and number of the cause."""
    return f"{row.rule.id}.{row.number}"


def conditions(row: CauseRow, found: Matrix) -> list[Asked]:
    """Every input of a cause: what is asked, and the limit with its unit."""
    return [asked(one, found.tags) for one in row.cause.inputs]


def vote(row: CauseRow) -> str:
    """How many of how many."""
    return f"{row.cause.needed}oo{len(row.cause.inputs)}"


def delay(row: CauseRow) -> str:
    """How long the vote must stand."""
    return within(row.cause.trip_delay_ms)


def within(span_ms: int) -> str:
    """A delay, or that there is none."""
    return lasting(span_ms) if span_ms else AT_ONCE


def without_a_value(row: CauseRow) -> str:
    """What a lost value does, and how soon."""
    cause = row.cause
    if cause.bad is BadVote.ELSEWHERE:
        watched = (f"{one.tag} by {one.interlock}, {within(one.within_ms)}" for one in row.watchers)
        return "watched elsewhere: " + "; ".join(watched)
    if not any(may_be_bad(one) for one in cause.inputs):
        return "the condition itself tells"
    does = "votes to trip" if cause.bad is BadVote.TRIP else "leaves the vote; with none left it trips"
    return f"{does}, {within(cause.trip_delay_ms if cause.bad_trip_delay_ms is None else cause.bad_trip_delay_ms)}"


def afterwards(row: CauseRow) -> str:
    """What follows when the cause is gone."""
    rule = row.rule
    if rule.shadow:
        return "in shadow: judged and reported, acts on nothing"
    held = "; latched after a restart" if rule.hold_after_restart else ""
    if rule.latched:
        return f"latched until released{held}"
    return f"returns {within(rule.restore_delay_ms)} after the cause{held}"


def bypass(row: CauseRow) -> str:
    """Whether it may be put aside, for how long at most, by whom, and from where."""
    rule = row.rule
    if rule.shadow or not rule.bypassable:
        return "not allowed"
    who = f" by {' or '.join(sorted(rule.bypass_roles))}" if rule.bypass_roles else ""
    second = f", confirmed by a second person ({' or '.join(sorted(rule.bypass_second_roles))})"
    who += second if rule.bypass_second_roles else ""
    return f"at most {lasting(rule.bypass_max_ms)}{who}{'' if rule.bypass_remote_allowed else ', on site'}"


def effect(cell: Cell | None) -> str:
    """What happens to an output; empty when nothing does."""
    if cell is None:
        return ""
    level = cell.level if cell.safe else f"{cell.level} (not the safe level)"
    return f"{level}, {'latched' if cell.latched else 'while it stands'}, {within(cell.within_ms)}"


def services(found: Matrix) -> list[tuple[str, str]]:
    """Every interlock with what it protects against, and why it may return by itself where it does."""
    because = found.about.returns_because
    return [
        (rule.id, rule.service + (f"; returns by itself: {because[rule.id]}" if because.get(rule.id) else ""))
        for rule in found.about.plant.interlocks
    ]


def head_of(column: Column) -> str:
    """An output with its safe level."""
    return f"{column.rule.id}: safe is {column.rule.safe_level}"


def about_output(column: Column, found: Matrix) -> Iterator[tuple[str, str]]:
    """Everything there is to say of an output: what, and the words for it."""
    rule = column.rule
    if rule.service:
        yield "moves", rule.service
    levels = ", ".join(f"{level} {code}" for level, code in rule.codes.items())
    yield "register", f"{rule.register_tag}: {levels}"
    yield "safe level", f"{rule.safe_level} ({rule.codes[rule.safe_level]}); normal is {rule.normal_level}"
    yield "held by", ", ".join(column.stops) or "no interlock"
    yield "restart", _restart(column)
    if rule.motor is not None:
        yield "starts", _starts(rule.motor)
    yield from (("feedback", text) for text in _feedback(column, found))
    yield from (("release", text) for text in _release(column, found))


def _restart(column: Column) -> str:
    rule = column.rule
    if not rule.permit:
        return "a stop code: what was latched comes back latched, anything else is idle"
    return (
        f"withdrawn at every start; returns by itself after {lasting(rule.return_after_ms)} of good readings, only "
        f"when it was {rule.normal_level} with nothing latched, the controller still holds it, and less than "
        f"{lasting(rule.return_within_ms)} were lost; else latched until released"
    )


def _starts(rule: MotorRule) -> str:
    rests = f"rests for {within(rule.min_off_ms)} before a start" if rule.min_off_ms else "rests for no set time"
    return rests + (f"; {rule.max_starts} starts in {lasting(rule.window_ms)} at most" if rule.max_starts else "")


def _feedback(column: Column, found: Matrix) -> Iterator[str]:
    rule = column.rule
    yield "read back before every write; a level that somebody else wrote is told" + (
        " and latches" if rule.permit else ""
    )
    stroke = f", {lasting(column.stroke_ms)} after the level is written" if column.stroke_ms else ""
    if rule.proof_tag:
        yield f"position: {rule.proof_tag} reads {rule.proof_value:g} at the safe level{stroke}"
    else:
        yield f"position: none is declared{stroke and '; it takes' + stroke.removeprefix(',')}"
    yield from (_watched(one, found) for one in column.feedback)


def _watched(one: Feedback, found: Matrix) -> str:
    what = "; and ".join(" ".join(part for part in asked(each, found.tags) if part) for each in one.inputs)
    if one.interlock:
        does = ", ".join(f"{output} {level}" for output, level in one.effects.items())
        return f"{one.name}: {what}; for {within(one.within_ms)}: {does}"
    means = "; ".join(found.tags[tag].service for each in one.inputs for tag in tags_of(each) if tag in found.tags)
    return f"{one.name}: {what}{f' ({means})' if means else ''}; for {within(one.within_ms)}: alarm"


def _release(column: Column, found: Matrix) -> Iterator[str]:
    rule = column.release
    if rule is None:
        yield "none is declared"
        return
    latching = {one.id for one in found.about.plant.interlocks if one.latched}
    asked_of = [one for one in found.about.plant.interlocks if one.id in latching - rule.exempt]
    lasts = f" for {lasting(rule.clear_ms)}" if rule.clear_ms else ""
    yield f"causes gone{lasts} of those tripped among {', '.join(one.id for one in asked_of) or 'none'}"
    yield from _water(rule)
    yield from (one.text for one in rule.requirements)
    yield "no interlock bypassed, no instrument held"
    yield from (f"{output} released first" for output in rule.after_outputs)
    yield f"in two steps, with a reason, by {' or '.join(sorted(rule.roles))}, {_from_where(rule)}"


def _water(rule: ReleaseRule) -> Iterator[str]:
    flushed = f"{rule.flush_m3:g} m3 of {rule.flush_tag} since the trip" if rule.flush_tag else ""
    sample = ", ".join(_wants(one) for one in rule.grab)
    if flushed and sample:
        only = f"; after {', '.join(sorted(rule.no_sample_after))} the first alone" if rule.no_sample_after else ""
        yield f"{flushed}, or a grab sample since with {sample}{only}"
    elif flushed or sample:
        yield flushed or f"a grab sample since the trip with {sample}"


def _wants(one: Quantity) -> str:
    limits = (("at most", one.at_most), ("at least", one.at_least))
    said = " and ".join(f"{word} {limit:g}" for word, limit in limits if limit is not None)
    return f"{one.service or one.name} {said}".rstrip()


def _from_where(rule: ReleaseRule) -> str:
    if not rule.remote_allowed:
        return "on site only"
    after = f", after {', '.join(sorted(rule.local_only_after))} on site only" if rule.local_only_after else ""
    return f"on site or from afar{after}"
