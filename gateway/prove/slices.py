"""Parts of a site that are small enough to be tried whole, each with the real rules of that part.

A slice is a plant: some interlocks, what watches the quality of their inputs for them, their outputs and the releases
of these. Tags stand without what vouches for them (sample flow, status bits, test constant, stillness): a reading may
then be bad for any reason at any time, which is more than the plant can do; whether it *becomes* bad is asked in a
slice of its own for every tag. What a slice leaves out is only what reports (alarms, litres, figures), and what it
leaves out of a release makes a release easier, never harder.
"""

import itertools
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

from gateway.core.calculation import CalculationRule
from gateway.core.condition import BadQuality, Condition, Equals, NoChange, Unproven, tags_of
from gateway.core.hold import HoldRule
from gateway.core.interlock import InterlockRule
from gateway.core.output import OutputRule
from gateway.core.permissive import ReleaseRule
from gateway.core.plant import Plant
from gateway.core.quality import Reason
from gateway.core.sample import Number
from gateway.core.scaling import Scaling
from gateway.core.validity import TagRule
from gateway.core.voting import BadVote, Cause
from gateway.prove import readings
from gateway.prove.readings import leaves
from gateway.prove.telling import FOLLOWED

MOST_MOVING = 2
"""So many inputs of a slice move at once; of a wider one every choice of two."""

_BYPASS = frozenset({"bypass"})
_WITH_MEMORY = (NoChange, Unproven)
_BAD = (
    Reason.NO_ANSWER,
    Reason.STALE,
    Reason.INPUT_BAD,
    Reason.HOLD,
    Reason.DEVICE_FAULT,
    Reason.NO_SAMPLE_FLOW,
    Reason.OUT_OF_RANGE,
    Reason.SENTINEL,
    Reason.LOOP_FAULT,
    Reason.FROZEN,
    Reason.WRONG_CONSTANT,
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Slice:
    """What is tried whole.

    Args:
        name: such as ``I-01`` or ``I-01 with I-13``.
        kind: ``tag``, ``cause``, ``lost``, ``latch``, ``interlock``, ``hold``, ``output``, ``pair``.
        focus: the interlocks or the output or the tag that it is about.
        plant: the rules that take part.
        moving: tags whose readings change.
        vectors: joint readings of the moving tags; the first is that at rest.
        reasons: of each moving tag, the reasons for which it may be bad.
        resting: readings of the other tags.
        silenced: the moving tags that may fall silent or be bad.
        alike: of each moving tag, equal words for tags that differ in nothing but their names.
        asks: what else happens: ``bypass`` and its like, ``steps`` of a release one by one, ``controller`` and every
            kind of start, ``commissioning``.
        bounds: whether it is judged how long a lost input is ignored; not where what watches it takes no part.
    """

    name: str
    kind: str
    focus: tuple[str, ...]
    plant: Plant
    moving: tuple[str, ...]
    vectors: tuple[tuple[Number, ...], ...]
    reasons: tuple[tuple[Reason, ...], ...]
    resting: Mapping[str, Number]
    silenced: tuple[str, ...]
    alike: tuple[str, ...] = ()
    asks: frozenset[str] = frozenset()
    bounds: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class Whole:
    """A site as the slices are cut from it.

    Args:
        plant: all of its rules.
        scalings: how the raw numbers of its tags are read.
    """

    plant: Plant
    scalings: Mapping[str, Scaling]

    @property
    def calculations(self) -> dict[str, CalculationRule]:
        """Calculated tags by name."""
        return {rule.about.tag: rule for rule in self.plant.calculated}

    @property
    def interlocks(self) -> dict[str, InterlockRule]:
        """Interlocks by name."""
        return {rule.id: rule for rule in self.plant.interlocks}


def inputs_of(rule: InterlockRule, calculations: Mapping[str, CalculationRule]) -> tuple[str, ...]:
    """Every tag read from a device that an interlock depends on."""
    found = [
        leaf
        for cause in rule.causes
        for one in cause.inputs
        for tag in tags_of(one)
        for leaf in leaves(tag, calculations)
    ]
    return tuple(dict.fromkeys(found))


def watchers(rule: InterlockRule, whole: Whole) -> list[InterlockRule]:
    """Interlocks that watch the quality of inputs which this one leaves to them."""
    left = {
        leaf
        for cause in rule.causes
        if cause.bad is BadVote.ELSEWHERE
        for one in cause.inputs
        for tag in tags_of(one)
        for leaf in (tag, *leaves(tag, whole.calculations))
    }
    outputs = {effect.output for effect in rule.effects}
    return [
        other
        for other in whole.plant.interlocks
        if other.id != rule.id
        and outputs & {effect.output for effect in other.effects}
        and any(_watches(one, left) for cause in other.causes for one in cause.inputs)
    ]


def _watches(condition: Condition, tags: set[str]) -> bool:
    return isinstance(condition, BadQuality) and condition.tag in tags


def unfollowed(rule: InterlockRule) -> list[str]:
    """Kinds of conditions of an interlock that the oracle does not follow."""
    known = (*FOLLOWED, *_WITH_MEMORY)
    return [
        f"{rule.id}: {type(one).__name__} of {', '.join(tags_of(one)) or 'no tag'}"
        for cause in rule.causes
        for one in cause.inputs
        if not isinstance(one, known)
    ]


def interlock_slices(whole: Whole, focus: Sequence[str], kind: str) -> Iterator[Slice]:
    """Slices of one interlock, or the one of two together.

    Of one with one input that nobody else watches: one, with everything. Of any other: one for each cause and each
    choice of two inputs, one for its latch with causes that come and go as they please, and one for each instrument
    that people may hold. Of two: without what watches their inputs for them, which has slices of its own.
    """
    rules = [whole.interlocks[name] for name in focus]
    if kind == "pair":
        yield _pair(whole, rules)
        return
    (rule,) = rules
    own = inputs_of(rule, whole.calculations)
    if len(own) == len(rule.causes) == 1 and not watchers(rule, whole):
        yield _slice(whole, rule.id, kind, (rule.id,), [rule], own, asks=_BYPASS)
    else:
        yield from _cause_slices(whole, rule)
        yield from latch_slices(whole, rule)
    yield from _hold_slices(whole, rule)


def _pair(whole: Whole, rules: Sequence[InterlockRule]) -> Slice:
    """Two interlocks with one cause each, at one input each: those at which both look, where there are any."""
    looks = [set(inputs_of(rule, whole.calculations)) for rule in rules]
    shared = looks[0] & looks[1]

    def looking(rule: InterlockRule) -> InterlockRule:
        cause = max(rule.causes, key=lambda one: bool(shared.intersection(_read_by(one, whole))))
        return replace(rule, causes=(cause,))

    both = [looking(rule) for rule in rules]
    moving = _choices(both, _own(both, whole), whole, pair=True)[0]
    included = [trimmed(rule, moving, whole) for rule in both]
    name = " with ".join(rule.id for rule in rules)
    name += f" ({', '.join(moving)})" if len(moving) < len(_own(rules, whole)) else ""
    focus = tuple(rule.id for rule in rules)
    return _slice(whole, name, "pair", focus, included, moving, asks=_BYPASS, bounds=False)


def _own(rules: Iterable[InterlockRule], whole: Whole) -> tuple[str, ...]:
    return tuple(dict.fromkeys(tag for rule in rules for tag in inputs_of(rule, whole.calculations)))


def _read_by(cause: Cause, whole: Whole) -> tuple[str, ...]:
    found = [leaf for one in cause.inputs for tag in tags_of(one) for leaf in leaves(tag, whole.calculations)]
    return tuple(dict.fromkeys(found))


def _cause_slices(whole: Whole, rule: InterlockRule) -> Iterator[Slice]:
    """Of each cause alone; a release comes easily, since the latch has its own slices.

    How it votes, whichever of two inputs are bad; and with each input lost once, what watches it there as well.
    """
    for place, cause in enumerate(rule.causes, 1):
        alone = replace(rule, causes=(cause,))
        own = inputs_of(alone, whole.calculations)
        elsewhere = cause.bad is BadVote.ELSEWHERE
        lost: dict[str, tuple[str, ...]] = {}
        for moving in _choices([alone], own, whole, pair=False):
            for tag in moving:
                lost.setdefault(tag, moving)
            if elsewhere and len(own) == 1:
                continue  # the slice with what watches it has all of it
            name = f"{rule.id} cause {place}" + (f" ({', '.join(moving)})" if len(moving) < len(own) else "")
            included = [trimmed(alone, moving, whole)]
            yield _slice(whole, name, "cause", (rule.id,), included, moving, eased=True, bounds=not elsewhere)
        for tag, moving in lost.items() if elsewhere or len(own) > 1 else ():
            watching = [trimmed(one, (tag,), whole) for one in watchers(alone, whole)]
            included = [trimmed(alone, moving, whole), *(one for one in watching if one.causes)]
            name = f"{rule.id} cause {place}, {tag} lost"
            part = _slice(whole, name, "lost", (rule.id,), _in_order(whole, included), moving, eased=True)
            yield replace(part, silenced=(tag,))


def latch_slices(whole: Whole, rule: InterlockRule) -> Iterator[Slice]:
    """Of an interlock with causes that come, go and are lost as they please, two at a time: all but how they vote.

    ``interlock.step`` lets every cause vote by itself and looks at nothing of it but the vote, so that causes in every
    order, each with its own delay, stand for everything that its inputs can do.
    """
    named = [_as_it_comes(rule.id, place, cause) for place, cause in enumerate(rule.causes, 1)]
    found: dict[object, tuple[Cause, ...]] = {}
    for some in itertools.combinations(named, min(2, len(named))):
        found.setdefault(tuple((one.trip_delay_ms, one.bad, one.bad_trip_delay_ms) for one in some), some)
    for some in found.values():
        tags = tuple(tag for one in some for tag in tags_of(one.inputs[0]))
        name = f"{rule.id} latch" + (f" ({' and '.join(tags)})" if len(found) > 1 else "")
        yield _slice(whole, name, "latch", (rule.id,), [replace(rule, causes=some)], tags, asks=_BYPASS, bounds=False)


def _as_it_comes(name: str, place: int, cause: Cause) -> Cause:
    """A cause of the same delays, with one input that is on or off."""
    return replace(cause, inputs=(Equals(tag=f"{name} cause {place}", value=1.0),), needed=1)


def _hold_slices(whole: Whole, rule: InterlockRule) -> Iterator[Slice]:
    """Of each instrument that people may hold and each cause that reads it, with what watches it."""
    for place, cause in enumerate(rule.causes, 1):
        alone = replace(rule, causes=(cause,))
        own = [tag for tag in _read_by(cause, whole) if tag in whole.plant.holds.subjects]
        for tag in {_likeness([alone], [tag], whole): tag for tag in reversed(own)}.values():
            watching = [trimmed(one, (tag,), whole) for one in watchers(alone, whole)]
            included = [trimmed(alone, (tag,), whole), *(one for one in watching if one.causes)]
            name = f"{rule.id}{f' cause {place}' if len(rule.causes) > 1 else ''}, {tag} held"
            yield _slice(whole, name, "hold", (rule.id,), _in_order(whole, included), (tag,), eased=True)


def _in_order(whole: Whole, included: Sequence[InterlockRule]) -> list[InterlockRule]:
    """As the site lists them."""
    listed = list(whole.interlocks)
    return sorted(included, key=lambda one: listed.index(one.id))


def trimmed(rule: InterlockRule, moving: Sequence[str], whole: Whole) -> InterlockRule:
    """An interlock without what stands at rest while only some tags move: such an input votes for nothing."""

    def moves(one: Condition) -> bool:
        return isinstance(one, Unproven) or any(
            leaf in moving for tag in tags_of(one) for leaf in leaves(tag, whole.calculations)
        )

    kept = [
        replace(cause, inputs=tuple(one for one in cause.inputs if moves(one)))
        if cause.needed == 1 and cause.bad is not BadVote.DROP
        else cause
        for cause in rule.causes
        if any(moves(one) for one in cause.inputs)
    ]
    return replace(rule, causes=tuple(kept))


def _choices(
    rules: Sequence[InterlockRule], own: tuple[str, ...], whole: Whole, *, pair: bool
) -> list[tuple[str, ...]]:
    """Which inputs move together. Of inputs that are alike but for their name, one stands for all."""
    if len(own) <= MOST_MOVING:
        return [own]
    if not pair:
        found: dict[tuple[object, ...], tuple[str, ...]] = {}
        for two in itertools.combinations(own, 2):
            found.setdefault(_likeness(rules, two, whole), two)
        return list(found.values())
    first, second = (inputs_of(rule, whole.calculations) for rule in rules)
    shared = [tag for tag in first if tag in second]
    one = [*shared, *(tag for tag in first if tag not in shared)][:1]
    other = [*(tag for tag in shared if tag not in one), *(tag for tag in second if tag not in one)][:1]
    return [tuple(dict.fromkeys([*one, *other]))]


def _likeness(rules: Sequence[InterlockRule], tags: Sequence[str], whole: Whole) -> tuple[object, ...]:
    """Equal for choices of tags that differ in nothing but their names."""
    by_name = {rule.tag: rule for rule in whole.plant.tags}
    parts: list[object] = []
    for tag in tags:
        roles = [
            role for rule in rules for place in range(len(rule.causes)) for role in _roles(rule, place, tag, whole)
        ]
        alone = "computed with" not in [role[2] for role in roles]
        known = tag in by_name
        parts.append((by_name[tag].stale_after_ms, *dict.fromkeys(roles)) if alone and known else (tag,))
    return tuple(sorted(parts, key=repr))


def _roles(rule: InterlockRule, place: int, tag: str, whole: Whole) -> Iterator[tuple[str, int, str]]:
    """What a tag does in a cause; where one lost value is enough, it does not matter through which formula."""
    cause = rule.causes[place]
    for one in cause.inputs:
        if not any(tag in leaves(name, whole.calculations) for name in tags_of(one)):
            continue
        if isinstance(one, BadQuality) and cause.needed == 1 and not one.because:
            yield rule.id, place, "lost"
        else:
            yield rule.id, place, _nameless(one, tag) if tag in tags_of(one) else "computed with"


def _nameless(condition: Condition, tag: str) -> str:
    return repr(condition).replace(repr(tag), "'*'")


def _slice(  # noqa: PLR0917 - a record of its own would say no more
    whole: Whole,
    name: str,
    kind: str,
    focus: tuple[str, ...],
    included: Sequence[InterlockRule],
    moving: tuple[str, ...],
    *,
    asks: frozenset[str] = frozenset(),
    outputs: Sequence[str] = (),
    eased: bool = False,
    bounds: bool = True,
) -> Slice:
    acted_on = {*outputs, *(effect.output for rule in included for effect in rule.effects)}
    acted_on |= {one.output for one in readings.conditions_of(included) if isinstance(one, Unproven)}
    releases = [_easier(rule, acted_on, eased=eased) for rule in whole.plant.releases if rule.output in acted_on]
    calculations = _needed_calculations(whole, included, releases)
    tags = _needed_tags(included, releases, calculations)
    named = {rule.tag for rule in whole.plant.tags}
    resting = _resting(whole, tags, included, releases, calculations)
    conditions = list(readings.conditions_of(included))
    plant = Plant(
        tags=(
            *(_bare(rule, hold=kind == "hold") for rule in whole.plant.tags if rule.tag in tags),
            *(TagRule(tag=tag) for tag in moving if tag not in named),
        ),
        calculated=tuple(rule for rule in whole.plant.calculated if rule.about.tag in calculations),
        interlocks=tuple(
            replace(rule, exposure_flow="", exposure_stop="", bypass_second_roles=frozenset()) for rule in included
        ),
        outputs=tuple(_returning(rule, eased=eased) for rule in whole.plant.outputs if rule.id in acted_on),
        releases=tuple(releases),
        commissioning=whole.plant.commissioning,
        holds=_holds(whole.plant.holds, moving if kind == "hold" else ()),
        grab_quantities=whole.plant.grab_quantities,
        clock_step_ms=whole.plant.clock_step_ms,
        offer_ms=whole.plant.offer_ms,
    )
    vectors = readings.vectors(included, moving, resting, calculations, whole.scalings)
    silenced = moving
    if kind == "pair":
        values = [{**resting, **dict(zip(moving, one, strict=True))} for one in vectors]
        stands = [readings.standing(included, one, calculations) for one in values]
        vectors = [one for place, one in enumerate(vectors) if place == 0 or stands[place] not in stands[:place]]
        silenced = _silenced(included, moving, stands, calculations)
    return Slice(
        name=name,
        kind=kind,
        focus=focus,
        plant=plant,
        moving=moving,
        vectors=tuple(vectors),
        reasons=tuple(_reasons(tag, conditions) for tag in moving),
        resting=resting,
        silenced=silenced,
        alike=tuple(repr(_likeness(included, [tag], whole)) for tag in moving),
        asks=asks,
        bounds=bounds,
    )


def _silenced(
    rules: Sequence[InterlockRule],
    moving: tuple[str, ...],
    stands: Sequence[tuple[bool, ...]],
    calculations: Mapping[str, CalculationRule],
) -> tuple[str, ...]:
    """Of two together: the tags that both look at, and those of an interlock that no reading trips."""
    looks = [set(inputs_of(rule, calculations)) for rule in rules]
    trips = [any(one[place] for one in stands) for place in range(len(rules))]
    return tuple(
        tag
        for tag in moving
        if all(tag in tags for tags in looks)
        or any(tag in tags and not by for tags, by in zip(looks, trips, strict=True))
    )


def _holds(rule: HoldRule, moving: Sequence[str]) -> HoldRule:
    """What people may hold of the tags that move, each by its own name."""
    subjects = {name: (name,) for name in moving if name in rule.subjects}
    return replace(rule, subjects=subjects, needs_entry=False)  # what is entered at its end is not judged here


def _bare(rule: TagRule, *, hold: bool) -> TagRule:
    """A tag without what vouches for it."""
    return TagRule(
        tag=rule.tag,
        unit=rule.unit,
        service=rule.service,
        stale_after_ms=rule.stale_after_ms,
        uncertain_counts=rule.uncertain_counts,
        hold_when=rule.hold_when if hold else None,
    )


def _easier(rule: ReleaseRule, outputs: set[str], *, eased: bool) -> ReleaseRule:
    """A release without the outputs that take no part; eased, as soon as the cause is gone."""
    if eased:
        return ReleaseRule(output=rule.output, exempt=rule.exempt, roles=rule.roles)
    return replace(rule, after_outputs=tuple(one for one in rule.after_outputs if one in outputs))


def _returning(rule: OutputRule, *, eased: bool) -> OutputRule:
    """Eased, an output returns after a start as soon as everything is good."""
    return replace(rule, return_after_ms=0, resume_level="", resume_ms=0) if eased else rule


def _needed_calculations(
    whole: Whole, included: Sequence[InterlockRule], releases: Sequence[ReleaseRule]
) -> dict[str, CalculationRule]:
    ahead = [tag for one in readings.conditions_of(included) for tag in tags_of(one)]
    ahead += [tag for rule in releases for one in rule.requirements for tag in tags_of(one.condition)]
    ahead += [rule.flush_tag for rule in releases]
    found: dict[str, CalculationRule] = {}
    while ahead:
        tag = ahead.pop()
        if tag in whole.calculations and tag not in found:
            found[tag] = whole.calculations[tag]
            ahead += found[tag].inputs
    return found


def _needed_tags(
    included: Sequence[InterlockRule], releases: Sequence[ReleaseRule], calculations: Mapping[str, CalculationRule]
) -> set[str]:
    named = [tag for one in readings.conditions_of(included) for tag in tags_of(one)]
    named += [tag for rule in releases for one in rule.requirements for tag in tags_of(one.condition)]
    named += [rule.flush_tag for rule in releases if rule.flush_tag]
    return {leaf for tag in named for leaf in leaves(tag, calculations)}


def _resting(
    whole: Whole,
    tags: set[str],
    included: Sequence[InterlockRule],
    releases: Sequence[ReleaseRule],
    calculations: Mapping[str, CalculationRule],
) -> dict[str, Number]:
    """No cause stands, what a release asks of the plant holds, and what is to be flushed is flushed in one scan."""
    ordered = [rule.tag for rule in whole.plant.tags if rule.tag in tags]
    ordered += sorted(tags.difference(ordered))
    found = readings.at_rest(included, ordered, calculations, whole.scalings)
    voting = {leaf for rule in included for leaf in inputs_of(rule, calculations)}
    for rule in releases:
        for one in rule.requirements:
            for tag, value in readings.wanted(one.condition):
                found[tag] = value
        if rule.flush_tag in found and rule.flush_tag not in voting:
            found[rule.flush_tag] = Number(rule.flush_m3 * 3_600 + 1.0)
    return found


def _reasons(tag: str, conditions: Sequence[Condition]) -> tuple[Reason, ...]:
    """One reason for each thing that conditions on a tag make of reasons; any when they do not look at them."""
    asked = [one for one in conditions if isinstance(one, BadQuality) and one.tag == tag]
    if all(not one.because and not one.except_for for one in asked):
        return (Reason.NO_ANSWER,)
    found: dict[tuple[tuple[bool, bool], ...], Reason] = {}
    for reason in _BAD:
        found.setdefault(tuple((reason in one.because, reason in one.except_for) for one in asked), reason)
    return tuple(found.values())


# --- outputs by themselves -------------------------------------------------------------------------------------


def output_slices(whole: Whole, output: str) -> Iterator[Slice]:
    """One output, with interlocks that trip and are at rest as they please, and what people and the controller do.

    One interlock for each of those that the rules of the output and of its release tell apart; one slice for the steps
    of a release, one for the controller and the starts, one for commissioning.
    """
    acting = [rule for rule in whole.plant.interlocks if any(effect.output == output for effect in rule.effects)]
    release = next((rule for rule in whole.plant.releases if rule.output == output), ReleaseRule(output=output))
    found: dict[object, InterlockRule] = {}
    for rule in acting:
        role = (rule.latched, *(rule.id in some for some in _named_in(release)), rule.hold_after_restart)
        found.setdefault(role, rule)
    wanted = [tag for one in release.requirements for tag in tags_of(one.condition)]
    first = next((rule for rule in found.values() if rule.latched), None)
    for rule in found.values():
        alone = _tripping(rule, output)
        moving = (*tags_of(alone.causes[0].inputs[0]), *wanted)
        for asked in ("steps", "controller", "commissioning") if rule is first else ("steps",):
            name = f"output {output}, {rule.id} and {_ASKED[asked]}"
            asks = frozenset({asked})
            yield _slice(whole, name, "output", (output,), [alone], moving, asks=asks, outputs=[output], bounds=False)


_ASKED = {"steps": "the steps of a release", "controller": "what the controller holds", "commissioning": "observing"}


def _named_in(release: ReleaseRule) -> tuple[frozenset[str], ...]:
    return release.exempt, release.no_sample_after, release.local_only_after


def _tripping(rule: InterlockRule, output: str) -> InterlockRule:
    """An interlock that trips at once, by something that is on or off, and acts on one output."""
    cause = Cause(inputs=(Equals(tag=f"{rule.id} trips", value=1.0),))
    effects = tuple(effect for effect in rule.effects if effect.output == output)
    return replace(rule, causes=(cause,), effects=effects)


# --- what is not tried, and why it need not be ------------------------------------------------------------------


def joined(whole: Whole) -> list[tuple[str, str, str]]:
    """Pairs of interlocks that share an output or an input, with what they share."""
    found = []
    for first, second in itertools.combinations(whole.plant.interlocks, 2):
        inputs = set(inputs_of(first, whole.calculations)) & set(inputs_of(second, whole.calculations))
        outputs = {effect.output for effect in first.effects} & {effect.output for effect in second.effects}
        if inputs or outputs:
            found.append((first.id, second.id, ", ".join(sorted(inputs | outputs))))
    return found


def groups(whole: Whole) -> list[tuple[str, ...]]:
    """Interlocks that reach each other over shared inputs and outputs; no two groups have anything in common."""
    found: list[set[str]] = [{rule.id} for rule in whole.plant.interlocks]
    for first, second, _ in joined(whole):
        one = next(group for group in found if first in group)
        other = next(group for group in found if second in group)
        if one is not other:
            one |= other
            found.remove(other)
    return [tuple(sorted(group)) for group in found]
