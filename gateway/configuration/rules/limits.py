"""Limits: whether a reading can ever pass them, and whether like is compared with like."""

from collections.abc import Iterator
from dataclasses import dataclass

from gateway.configuration.fault import Finding, KeyPath
from gateway.configuration.schema import (
    CountKeys,
    DeviationKeys,
    PointKeys,
    Site,
    StateLimitKeys,
    Tag,
    TimeBeyondKeys,
)
from gateway.configuration.walking import Question, questions, section_of, values_asked_for

Findings = Iterator[Finding]

SPAN_FACTOR = 1.2
FLOW_UNIT = "m3/h"


@dataclass(frozen=True, slots=True, kw_only=True)
class _Compared:
    """One number that a point is compared with, at its key."""

    path: KeyPath
    high: bool
    limit: float
    tag: str
    point: PointKeys


def limits_inside_span(site: Site) -> Findings:
    """A limit at or beyond the end of the span is never passed."""
    for one in _compared(site):
        bottom, top = one.point.range or (0.0, 0.0)
        if not bottom < top:
            continue
        sound = bottom <= one.limit < top if one.high else bottom < one.limit <= top
        ends = (f"below {top:g}, the top", f"below {bottom:g}") if one.high else (f"above {bottom:g}, the bottom", "")
        allowed = f"{ends[0]} of {one.tag}, and not {ends[1] or f'above {top:g}'}"
        if not sound:
            advice = "It could never act, or always would."
            yield Finding(path=one.path, found=f"{one.limit:g}", allowed=allowed, advice=advice)


def span_above_limits(site: Site) -> Findings:
    """An instrument should see well beyond its largest limit. Per cent levels are spared: a tank ends at its top."""
    largest: dict[str, float] = {}
    for one in _compared(site):
        if one.high and one.point.unit != "%":
            largest[one.tag] = max(one.limit, largest.get(one.tag, one.limit))
    for name, limit in largest.items():
        limits = site.points[name].range
        if limits is not None and limit < limits[1] < SPAN_FACTOR * limit:
            yield Finding(
                path=(section_of(site, name), name, "range"),
                found=f"a top of {limits[1]:g} over a limit of {limit:g}",
                allowed=f"a top of at least {SPAN_FACTOR * limit:g}, 1.2 times the largest limit",
                advice="Choose a wider range of the instrument.",
                warning=True,
            )


def limits_of_contacts(site: Site) -> Findings:
    """A contact is 0 or 1: it is compared with equals, and only with these; a state is one that is declared."""
    told: set[KeyPath] = set()
    for question in questions(site):
        for one in _of_question(question, site):
            if isinstance(one.point, Tag) and one.point.type == "bool" and question.path not in told:
                told.add(question.path)
                found = f"{question.kind} on the contact {one.tag}"
                yield Finding(path=question.path, found=found, allowed="equals for a contact, or a count of becomes")
    for path, name, value in values_asked_for(site):
        contact = site.tags.get(name)
        if contact is not None and contact.type == "bool" and value not in (0, 1):
            yield Finding(path=path, found=f"{value:g} for the contact {name}", allowed="0 or 1")
        words = site.points[name].states if name in site.points else {}
        if words and value not in words:
            known = ", ".join(f"{state} ({word})" for state, word in words.items())
            yield Finding(path=path, found=f"{value:g}, which is no state of {name}", allowed=f"one of {known}")


def running_numbers(site: Site) -> Findings:
    """What has no limit and no value to come to is counted by its steps; a contact has none."""
    for question in questions(site):
        count = question.condition.count
        if count is None or count.limit is not None or count.becomes is not None:
            continue
        tag = site.tags.get(count.tag)
        if tag is not None and (tag.type == "bool" or tag.states or tag.bit_names):
            found = f"{count.tag}, which is no running number"
            allowed = "becomes, rises_above or falls_below beside it, or the tag of a counter"
            yield Finding(path=(*question.path, "tag"), found=found, allowed=allowed)


def time_inside_window(site: Site) -> Findings:
    """More minutes than the window has never come together."""
    for question in questions(site):
        time = question.condition.time_beyond
        if time is not None and time.most_min >= time.window_min:
            found, allowed = f"{time.most_min:g} of {time.window_min:g} min", f"less than {time.window_min:g}"
            yield Finding(path=(*question.path, "more_than_min"), found=found, allowed=allowed)


def for_alarms_alone(site: Site) -> Findings:
    """What stops the water, and what lets it go, is one limit that nothing relaxes and no window delays."""
    for question in questions(site):
        if question.owner[0] == "alarms":
            continue
        if question.kind in ("time_beyond", "count", "bypass_ends", "bypass_expired", "hold_overdue"):
            found = f"{question.kind} at {question.owner[1]}"
            yield Finding(path=question.path, found=found, allowed=f"{question.kind} at an alarm")
        if isinstance(question.keys, StateLimitKeys) and question.keys.limit_when:
            found, allowed = f"a second limit at {question.owner[1]}", "limit_when at an alarm"
            yield Finding(path=(*question.path, "limit_when"), found=found, allowed=allowed)


def _compared(site: Site) -> Iterator[_Compared]:
    for question in questions(site):
        yield from _of_question(question, site)


def _of_question(question: Question, site: Site) -> Iterator[_Compared]:
    """Every limit of a condition on a point; not those of a rate or a deviation, which are differences."""
    for path, high, limit, name in _limits(question):
        point = site.points.get(name)
        if point is not None:
            yield _Compared(path=path, high=high, limit=limit, tag=name, point=point)


def _limits(question: Question) -> Iterator[tuple[KeyPath, bool, float, str]]:
    keys = question.keys
    match keys:
        case StateLimitKeys():
            high = question.kind == "high"
            yield (*question.path, "limit"), high, keys.limit, keys.tag
            for number, other in enumerate(keys.limit_when):
                yield (*question.path, "limit_when", number, "limit"), high, other.limit, keys.tag
        case TimeBeyondKeys():
            key = "above" if keys.above is not None else "below"
            yield (*question.path, key), keys.above is not None, keys.limit, keys.tag
        case CountKeys() if keys.limit is not None:
            key = "rises_above" if keys.rises_above is not None else "falls_below"
            yield (*question.path, key), keys.rises_above is not None, keys.limit, keys.tag
        case _:
            return


def same_units(site: Site) -> Findings:
    """Only like can be compared with like, and flows are integrated in m3/h."""
    for question in questions(site):
        keys = question.keys
        if isinstance(keys, DeviationKeys) and keys.tag in site.points and keys.other in site.points:
            first, second = site.points[keys.tag].unit, site.points[keys.other].unit
            if first != second:
                found = f"{keys.tag} in {first or 'no unit'} and {keys.other} in {second or 'no unit'}"
                yield Finding(path=(*question.path, "other"), found=found, allowed="two tags of one unit")
    for path, name in _flows(site):
        tag = site.points.get(name)
        if tag is not None and tag.unit != FLOW_UNIT:
            yield Finding(path=path, found=f"{name} in {tag.unit or 'no unit'}", allowed=f"a flow in {FLOW_UNIT}")


def _flows(site: Site) -> Iterator[tuple[KeyPath, str]]:
    for name, interlock in site.interlocks.items():
        if interlock.exposure is not None:
            yield ("interlocks", name, "exposure", "flow"), interlock.exposure.flow
    for name, release in site.releases.items():
        if release.flush is not None:
            yield ("releases", name, "flush", "tag"), release.flush.tag
