"""Limits: whether a reading can ever pass them, and whether like is compared with like."""

from collections.abc import Iterator

from gateway.configuration.fault import Finding, KeyPath
from gateway.configuration.schema import DeviationKeys, LimitKeys, PointKeys, Site, Tag
from gateway.configuration.walking import Question, questions, section_of

Findings = Iterator[Finding]

SPAN_FACTOR = 1.2
FLOW_UNIT = "m3/h"


def limits_inside_span(site: Site) -> Findings:
    """A limit at or beyond the end of the span is never passed."""
    for question, keys, tag in _limits(site):
        bottom, top = tag.range or (0.0, 0.0)
        if not bottom < top:
            continue
        if question.kind == "high" and not bottom <= keys.limit < top:
            allowed = f"below {top:g}, the top of {keys.tag}, and not below {bottom:g}"
            yield Finding(
                path=(*question.path, "limit"),
                found=f"{keys.limit:g}",
                allowed=allowed,
                advice="It could never act, or always would.",
            )
        if question.kind == "low" and not bottom < keys.limit <= top:
            allowed = f"above {bottom:g}, the bottom of {keys.tag}, and not above {top:g}"
            yield Finding(
                path=(*question.path, "limit"),
                found=f"{keys.limit:g}",
                allowed=allowed,
                advice="It could never act, or always would.",
            )


def span_above_limits(site: Site) -> Findings:
    """An instrument should see well beyond its largest limit. Per cent levels are spared: a tank ends at its top."""
    largest: dict[str, tuple[float, KeyPath]] = {}
    for question, keys, tag in _limits(site):
        if question.kind == "high" and tag.unit != "%" and keys.limit > largest.get(keys.tag, (float("-inf"), ()))[0]:
            largest[keys.tag] = (keys.limit, question.path)
    for name, (limit, _) in largest.items():
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
    """A contact is 0 or 1: it is compared with equals, and only with these."""
    for question, keys, tag in _limits(site):
        if isinstance(tag, Tag) and tag.type == "bool":
            found = f"{question.kind} on the contact {keys.tag}"
            yield Finding(path=question.path, found=found, allowed="equals for a contact")
    for question in questions(site):
        equals = question.condition.equals
        contact = site.tags.get(equals.tag) if equals is not None else None
        if equals is not None and contact is not None and contact.type == "bool" and equals.value not in (0, 1):
            found = f"{equals.value:g} for the contact {equals.tag}"
            yield Finding(path=(*question.path, "value"), found=found, allowed="0 or 1")


def _limits(site: Site) -> Iterator[tuple[Question, LimitKeys, PointKeys]]:
    for question in questions(site):
        keys = question.keys
        if isinstance(keys, LimitKeys) and question.kind != "rate" and keys.tag in site.points:
            yield question, keys, site.points[keys.tag]


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
