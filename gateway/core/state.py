"""What one scan hands to the next, and the rules it is handed with.

``Rules`` is a plant with everything the scan looks up, worked out once.
``ScanState`` is all that is remembered; a restart gets it back.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

from gateway.core import exposure, interlock, output
from gateway.core.alarm import AlarmRule, AlarmState, SuppressWhen
from gateway.core.calculation import CalculationRule, CalculationState, fresh_calculation
from gateway.core.cause_groups import NO_GROUPS, GroupState
from gateway.core.commissioning import Commissioned
from gateway.core.condition import (
    BypassEnds,
    BypassExpired,
    Condition,
    HoldOverdue,
    Look,
    Tripped,
    Unwritable,
    WrittenOver,
    look_of,
    tags_of,
)
from gateway.core.entering import Checked
from gateway.core.exposure import ExposureState
from gateway.core.figures import NO_FIGURES, FigureState
from gateway.core.hold import HoldState
from gateway.core.interlock import Effect, InterlockRule, InterlockState
from gateway.core.outcome import Event
from gateway.core.output import OutputRule, OutputState
from gateway.core.permissive import Grab, ReleaseRule
from gateway.core.plant import Plant
from gateway.core.second_person import BypassOffer
from gateway.core.tick import Tick
from gateway.core.validity import TagRule, TagState, fresh_tag, governors_of


@dataclass(frozen=True, slots=True, kw_only=True)
class Offer:
    """The first step of a release, waiting for its second."""

    number: int
    output: str
    person: str
    until_ms: int


@dataclass(frozen=True, slots=True, kw_only=True)
class ScanState:
    """Everything one scan hands to the next, and a restart gets back."""

    tick: Tick
    scan: int = 0
    tags: Mapping[str, TagState] = field(default_factory=dict)
    calculations: Mapping[str, CalculationState] = field(default_factory=dict)
    alarms: Mapping[str, AlarmState] = field(default_factory=dict)
    interlocks: Mapping[str, InterlockState] = field(default_factory=dict)
    outputs: Mapping[str, OutputState] = field(default_factory=dict)
    exposures: Mapping[str, ExposureState] = field(default_factory=dict)
    figures: FigureState = NO_FIGURES
    cause_groups: GroupState = NO_GROUPS
    holds: Mapping[str, HoldState] = field(default_factory=dict)  # by what was named, a tag or a device
    checked: Mapping[str, Checked] = field(default_factory=dict)  # tag to its newest check
    grab: Grab | None = None
    offer: Offer | None = None
    offers_made: int = 0
    bypass_offer: BypassOffer | None = None
    commissioned: Commissioned | None = None  # None while the site observes


class Watched(NamedTuple):
    """An alarm as the scan goes through them: a tuple, since all of them are looked at in every scan."""

    id: str
    rule: AlarmRule
    look: Look
    when: SuppressWhen | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Rules:
    """A plant's rules with what the scan looks up in them, worked out once by ``rules_of``."""

    plant: Plant
    tags: Mapping[str, TagRule]  # of every point, read or calculated
    read: Mapping[str, TagRule]  # of every point that is not calculated
    calculations: Mapping[str, CalculationRule]
    judged: Sequence[TagRule | CalculationRule]  # each behind those it depends on
    alarms: Mapping[str, AlarmRule]
    interlocks: Mapping[str, InterlockRule]
    outputs: Mapping[str, OutputRule]
    releases: Mapping[str, ReleaseRule]
    effects: Mapping[str, Sequence[tuple[str, Effect]]]  # output id to (interlock id, effect); none in shadow
    critical: Mapping[str, Sequence[str]]  # output id to tags of its interlocks, and those they are computed from
    stopping: frozenset[str]  # critical tags of outputs that are no permission
    early_alarms: Sequence[Watched]  # judged before the interlocks
    late_alarms: Sequence[Watched]  # those that tell of interlocks and outputs


def rules_of(plant: Plant) -> Rules:
    """Work out what the scan looks up."""
    effects = {
        one.id: [
            (rule.id, effect)
            for rule in plant.interlocks
            for effect in rule.effects
            if effect.output == one.id and not rule.shadow
        ]
        for one in plant.outputs
    }
    interlocks = {rule.id: rule for rule in plant.interlocks}
    calculations = {rule.about.tag: rule for rule in plant.calculated}
    critical = {id_: _critical([interlocks[name] for name, _ in found], calculations) for id_, found in effects.items()}
    return Rules(
        plant=plant,
        tags={rule.tag: rule for rule in plant.points},
        read={rule.tag: rule for rule in plant.tags if rule.tag not in calculations},
        calculations=calculations,
        judged=_in_order(plant),
        alarms={rule.id: rule for rule in plant.alarms},
        interlocks=interlocks,
        outputs={rule.id: rule for rule in plant.outputs},
        releases={rule.output: rule for rule in plant.releases},
        effects=effects,
        critical=critical,
        stopping=frozenset(tag for one in plant.outputs if not one.permit for tag in critical[one.id]),
        early_alarms=[_watched(rule) for rule in plant.alarms if not _late(rule.condition)],
        late_alarms=[_watched(rule) for rule in plant.alarms if _late(rule.condition)],
    )


def _in_order(plant: Plant) -> list[TagRule | CalculationRule]:
    """Every point behind those it depends on, else as listed; one that depends on itself comes once as well."""
    rules: dict[str, TagRule | CalculationRule] = {rule.tag: rule for rule in plant.tags}
    rules |= {rule.about.tag: rule for rule in plant.calculated}
    needed = {name: [one for one in _needs(rule) if one in rules] for name, rule in rules.items()}
    ordered: dict[str, None] = {}
    for start in rules:
        ahead = [start]
        while ahead:
            waiting = [one for one in needed[ahead[-1]] if one not in ordered and one not in ahead]
            if waiting:
                ahead.append(waiting[0])
            else:
                ordered[ahead.pop()] = None
    return [rules[name] for name in ordered]


def _needs(rule: TagRule | CalculationRule) -> tuple[str, ...]:
    return rule.inputs if isinstance(rule, CalculationRule) else governors_of(rule)


def _critical(rules: Iterable[InterlockRule], calculations: Mapping[str, CalculationRule]) -> list[str]:
    ahead = [tag for rule in rules for cause in rule.causes for one in cause.inputs for tag in tags_of(one)]
    found: dict[str, None] = {}
    while ahead:
        tag = ahead.pop(0)
        if tag not in found:
            found[tag] = None
            ahead += calculations[tag].inputs if tag in calculations else ()
    return list(found)


def _watched(rule: AlarmRule) -> Watched:
    return Watched(rule.id, rule, look_of(rule.condition), rule.suppress_when)


def _late(condition: Condition) -> bool:
    return isinstance(condition, Tripped | Unwritable | WrittenOver | BypassEnds | BypassExpired | HoldOverdue)


def first_state(rules: Rules, now: Tick) -> tuple[ScanState, list[Event]]:
    """The state of a site of which nothing is known: permissions latched safe."""
    outputs: dict[str, OutputState] = {}
    events: list[Event] = []
    for rule in rules.plant.outputs:
        outputs[rule.id], said = output.first_start(rule, now.monotonic_ms)
        events += said
    state = ScanState(
        tick=now,
        tags={rule.tag: fresh_tag(rule, now) for rule in rules.plant.tags},
        calculations={
            rule.about.tag: fresh_calculation(rule) for rule in rules.plant.calculated if rule.formula.remembers
        },
        alarms={rule.id: AlarmState() for rule in rules.plant.alarms},
        interlocks={rule.id: interlock.fresh_interlock(rule) for rule in rules.plant.interlocks},
        outputs=outputs,
        exposures={
            rule.id: exposure.QUIET for rule in rules.plant.interlocks if rule.exposure_flow and not rule.shadow
        },
    )
    return state, events
