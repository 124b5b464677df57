"""Every name that one key of a site uses and another declares, with the path where it stands.

Decides nothing; it only lists, so that each check reads like its rule.
"""

from collections.abc import Iterator
from dataclasses import dataclass

from gateway.configuration.fault import KeyPath
from gateway.configuration.schema import CauseKeys, ConditionKeys, CountKeys, EqualsKeys, Keys, Site, StateLimitKeys


@dataclass(frozen=True, slots=True, kw_only=True)
class Question:
    """One condition of a site.

    Args:
        path: where its keys stand, the kind included.
        owner: the entry it belongs to, such as ``("interlocks", "I-01")``.
        condition: the condition.
    """

    path: KeyPath
    owner: KeyPath
    condition: ConditionKeys

    @property
    def kind(self) -> str:
        """Kind of the condition, such as ``high``."""
        return self.condition.kind

    @property
    def keys(self) -> Keys:
        """The keys under the kind."""
        return keys_of(self.condition)

    @property
    def tags(self) -> tuple[str, ...]:
        """Tags it looks at."""
        return tags_of(self.condition)


@dataclass(frozen=True, slots=True, kw_only=True)
class Reference:
    """A name that is used at ``path`` and must be declared in ``section``; ``points`` are tags of every kind."""

    path: KeyPath
    section: str
    name: str


POINT_SECTIONS = ("tags", "calculated", "own_tags")
"""Sections that declare points."""

SECTION_OF_KEY = {
    "tag": "points",
    "other": "points",
    "command": "points",
    "feedback": "points",
    "output": "outputs",
    "interlock": "interlocks",
}
"""Section in which the name at a condition's key is declared."""


def keys_of(condition: ConditionKeys) -> Keys:
    """The keys under the kind of a condition."""
    keys = getattr(condition, condition.kind)
    assert isinstance(keys, Keys)  # noqa: S101 - the kind is the one that is given
    return keys


def tags_of(condition: ConditionKeys) -> tuple[str, ...]:
    """Tags a condition looks at."""
    keys = keys_of(condition)
    names = (getattr(keys, key, None) for key in ("tag", "other", "command", "feedback"))
    states = tuple(one.tag for one in keys.limit_when) if isinstance(keys, StateLimitKeys) else ()
    return (*(name for name in names if name is not None), *states)


def questions(site: Site) -> Iterator[Question]:
    """Every condition of interlocks, releases and alarms."""
    yield from interlock_inputs(site)
    for name, interlock in site.interlocks.items():
        for number, condition in enumerate(interlock.permissives):
            yield _question(("interlocks", name, "permissives", number), ("interlocks", name), condition)
    for name, release in site.releases.items():
        for number, requirement in enumerate(release.requirements):
            yield _question(("releases", name, "requirements", number), ("releases", name), requirement)
    yield from alarm_conditions(site)


def values_asked_for(site: Site) -> Iterator[tuple[KeyPath, str, float]]:
    """Every value that a condition asks a point for exactly, with its path and the point."""
    for question in questions(site):
        keys = question.keys
        match keys:
            case EqualsKeys():
                yield (*question.path, "value"), keys.tag, keys.value
            case StateLimitKeys():
                for number, other in enumerate(keys.limit_when):
                    yield (*question.path, "limit_when", number, "equals"), other.tag, other.equals
            case CountKeys() if keys.becomes is not None:
                yield (*question.path, "becomes"), keys.tag, keys.becomes


def interlock_inputs(site: Site) -> Iterator[Question]:
    """The conditions that vote in interlocks."""
    for name, interlock in site.interlocks.items():
        for position, cause in enumerate(interlock.causes):
            for number, condition in enumerate(cause.inputs):
                path = ("interlocks", name, "causes", position, "inputs", number)
                yield _question(path, ("interlocks", name), condition)


def alarm_conditions(site: Site) -> Iterator[Question]:
    """The conditions of alarms."""
    for name, alarm in site.alarms.items():
        yield _question(("alarms", name, "condition"), ("alarms", name), alarm.condition)


def causes(site: Site) -> Iterator[tuple[KeyPath, str, CauseKeys]]:
    """Every cause with its path and the name of its interlock."""
    for name, interlock in site.interlocks.items():
        for number, cause in enumerate(interlock.causes):
            yield ("interlocks", name, "causes", number), name, cause


def _question(path: KeyPath, owner: KeyPath, condition: ConditionKeys) -> Question:
    return Question(path=(*path, condition.kind), owner=owner, condition=condition)


def references(site: Site) -> Iterator[Reference]:
    """Every use of a declared name."""
    yield from _of_people(site)
    yield from _of_tags(site)
    yield from _of_outputs(site)
    yield from _of_interlocks(site)
    yield from _of_releases(site)
    yield from _of_entries(site)
    yield from _of_record(site)
    yield from _of_alarms(site)
    for question in questions(site):
        for key, section in SECTION_OF_KEY.items():
            name = getattr(question.keys, key, None)
            if name is not None:
                yield Reference(path=(*question.path, key), section=section, name=name)
        if isinstance(question.keys, StateLimitKeys):
            for number, other in enumerate(question.keys.limit_when):
                path = (*question.path, "limit_when", number, "tag")
                yield Reference(path=path, section="points", name=other.tag)


def governing(site: Site, tag: str) -> Iterator[tuple[KeyPath, str]]:
    """Tags that decide what ``tag`` is worth, each with its path."""
    keys = site.tags[tag]
    for number, valid in enumerate(keys.valid_when):
        yield ("tags", tag, "valid_when", number, "tag"), valid.tag
    for number, bad in enumerate(keys.bad_when):
        yield ("tags", tag, "bad_when", number, "tag"), bad.tag
    if keys.hold_when is not None:
        yield ("tags", tag, "hold_when", "tag"), keys.hold_when.tag


def vouching(site: Site, tag: str) -> Iterator[tuple[KeyPath, str]]:
    """Tags that must be judged before ``tag``: those that govern it, and the test constant of its device."""
    yield from governing(site, tag)
    device = site.tags[tag].device
    constant = site.devices[device].test_constant if device in site.devices else None
    if constant is not None and constant.tag != tag and constant.tag in site.tags:
        yield ("devices", device, "test_constant", "tag"), constant.tag


def sources(site: Site, name: str) -> tuple[str, ...]:
    """Points that a point's value comes from: itself, or for a calculated one what it is computed from."""
    found: dict[str, None] = {}
    seen: set[str] = set()
    ahead = [name]
    while ahead:
        here = ahead.pop()
        if here in seen:
            continue
        seen.add(here)
        if here in site.calculated:
            ahead += reversed(site.calculated[here].inputs.values())
        elif here in site.points:
            found[here] = None
    return tuple(found)


def section_of(site: Site, name: str) -> str:
    """Section in which a point is declared."""
    return next(section for section in POINT_SECTIONS if name in getattr(site, section))


def devices_of(site: Site, name: str) -> tuple[str, ...]:
    """Devices that a point's value comes from; none for a point about the gateway itself."""
    return tuple(dict.fromkeys(site.tags[one].device for one in sources(site, name) if one in site.tags))


def _of_people(site: Site) -> Iterator[Reference]:
    for name, person in site.people.items():
        yield Reference(path=("people", name, "role"), section="roles", name=person.role)


def _of_tags(site: Site) -> Iterator[Reference]:
    for name, device in site.devices.items():
        yield Reference(path=("devices", name, "connection"), section="connections", name=device.connection)
        if device.test_constant is not None:
            constant = device.test_constant.tag
            yield Reference(path=("devices", name, "test_constant", "tag"), section="tags", name=constant)
    for name, tag in site.tags.items():
        yield Reference(path=("tags", name, "device"), section="devices", name=tag.device)
        for path, governor in governing(site, name):
            yield Reference(path=path, section="points", name=governor)
        for number, partner in enumerate(tag.partners):
            yield Reference(path=("tags", name, "partners", number, "tag"), section="tags", name=partner.tag)
    for name, calculated in site.calculated.items():
        for word, source in calculated.inputs.items():
            yield Reference(path=("calculated", name, "inputs", word), section="points", name=source)


def _of_outputs(site: Site) -> Iterator[Reference]:
    for name, output in site.outputs.items():
        yield Reference(path=("outputs", name, "register"), section="tags", name=output.register_tag)
        if output.proof is not None:
            yield Reference(path=("outputs", name, "proof", "tag"), section="tags", name=output.proof.tag)
    block = site.output_block
    if block is None:
        return
    yield Reference(path=("output_block", "connection"), section="connections", name=block.connection)
    yield Reference(path=("output_block", "device"), section="devices", name=block.device)
    yield Reference(path=("output_block", "heartbeat"), section="tags", name=block.heartbeat)
    yield from _each(("output_block", "registers"), "tags", block.registers)
    yield from _each(("output_block", "commissioning_roles"), "roles", block.commissioning_roles)


def _of_interlocks(site: Site) -> Iterator[Reference]:
    if site.holds is not None:
        yield from _each(("holds", "tags"), "tags", site.holds.tags)
        yield from _each(("holds", "roles"), "roles", site.holds.roles)
    for name, interlock in site.interlocks.items():
        yield from _each(("interlocks", name, "bypass_roles"), "roles", interlock.bypass_roles)
        yield from _each(("interlocks", name, "bypass_second_roles"), "roles", interlock.bypass_second_roles)
        for output in interlock.effects:
            yield Reference(path=("interlocks", name, "effects", output), section="outputs", name=output)
        if interlock.exposure is not None:
            path = ("interlocks", name, "exposure", "flow")
            yield Reference(path=path, section="points", name=interlock.exposure.flow)
            if interlock.exposure.stopped_by is not None:
                path = ("interlocks", name, "exposure", "stopped_by")
                yield Reference(path=path, section="outputs", name=interlock.exposure.stopped_by)


def _of_releases(site: Site) -> Iterator[Reference]:
    for name, release in site.releases.items():
        path: KeyPath = ("releases", name)
        yield Reference(path=path, section="outputs", name=name)
        yield from _each((*path, "exempt"), "interlocks", release.exempt)
        yield from _each((*path, "local_only_after"), "interlocks", release.local_only_after)
        yield from _each((*path, "after_outputs"), "outputs", release.after_outputs)
        yield from _each((*path, "roles"), "roles", release.roles)
        if release.flush is not None:
            yield Reference(path=(*path, "flush", "tag"), section="points", name=release.flush.tag)
            yield from _each((*path, "flush", "no_sample_after"), "interlocks", release.flush.no_sample_after)
        for number, limit in enumerate(release.grab):
            where = (*path, "grab", number, "quantity")
            yield Reference(path=where, section="grab_quantities", name=limit.quantity)


def _of_entries(site: Site) -> Iterator[Reference]:
    yield from _each(("entries", "roles"), "roles", site.entries.roles)
    for tag, check in site.entries.checks.items():
        path: KeyPath = ("entries", "checks", tag)
        yield Reference(path=path, section="points", name=tag)
        if check.grab_quantity is not None:
            yield Reference(path=(*path, "grab_quantity"), section="grab_quantities", name=check.grab_quantity)


def _of_record(site: Site) -> Iterator[Reference]:
    record = site.record
    for name, quantity in record.quantities.items():
        path: KeyPath = ("record", "quantities", name)
        yield Reference(path=(*path, "tag"), section="points", name=quantity.tag)
        yield from _each((*path, "beside"), "points", quantity.beside)
        if quantity.grab is not None:
            yield Reference(path=(*path, "grab"), section="grab_quantities", name=quantity.grab)
    for name, total in record.totals.items():
        yield Reference(path=("record", "totals", name, "total"), section="points", name=total.total)
        if total.flow is not None:
            yield Reference(path=("record", "totals", name, "flow"), section="points", name=total.flow)
    for key in ("producing", "delivering", "diverting"):
        standing = getattr(record, key)
        if standing is not None:
            yield Reference(path=("record", key, "tag"), section="points", name=standing.tag)
    for key, tanks in (("stores", record.stores), ("chemicals", record.chemicals)):
        for name, tank in tanks.items():
            yield Reference(path=("record", key, name, "level"), section="points", name=tank.level)
    if record.valve_flow is not None:
        yield Reference(path=("record", "valve_flow"), section="points", name=record.valve_flow)


def _of_alarms(site: Site) -> Iterator[Reference]:
    for name, alarm in site.alarms.items():
        if alarm.value:
            yield Reference(path=("alarms", name, "value"), section="points", name=alarm.value)
        when = alarm.suppress_when
        if when is not None and when.tag is not None:
            yield Reference(path=("alarms", name, "suppress_when", "tag"), section="points", name=when.tag)
        if when is not None and when.alarm is not None:
            yield Reference(path=("alarms", name, "suppress_when", "alarm"), section="alarms", name=when.alarm)
    for name, group in site.first_out_groups.items():
        yield from _each(("first_out_groups", name), "alarms", group)
    for name, unit in site.process_graph.items():
        yield from _each(("process_graph", name, "needs"), "process_graph", unit.needs)
        yield from _each(("process_graph", name, "alarms"), "alarms", unit.alarms)


def _each(path: KeyPath, section: str, names: tuple[str, ...]) -> Iterator[Reference]:
    for number, name in enumerate(names):
        yield Reference(path=(*path, number), section=section, name=name)
