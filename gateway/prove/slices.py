"""Parts of a site that are small enough to be tried whole, each with the real rules of that part.

A slice is a plant: some interlocks, what watches the quality of their inputs for them, their outputs and the releases
of these. Tags stand without what vouches for them (sample flow, status bits, test constant, stillness): a reading may
then be bad for any reason at any time, which is more than the plant can do; whether it *becomes* bad is asked in a
slice of its own for every tag. What a slice leaves out is only what reports (alarms, litres, figures), and what it
leaves out of a release makes a release easier, never harder.
"""

import itertools
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

from gateway.core.calculation import CalculationRule
from gateway.core.condition import BadQuality, Condition, NoChange, Unproven, tags_of
from gateway.core.hold import HoldRule
from gateway.core.interlock import InterlockRule
from gateway.core.permissive import ReleaseRule
from gateway.core.plant import Plant
from gateway.core.quality import Reason
from gateway.core.sample import Number
from gateway.core.scaling import Scaling
from gateway.core.validity import TagRule, governors_of
from gateway.core.voting import BadVote
from gateway.prove import readings
from gateway.prove.readings import leaves
from gateway.prove.telling import FOLLOWED

MOST_MOVING = 3
"""So many inputs of a slice move at once; of a wider one every choice of two."""

_DRY = Number(0.0)
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
        kind: ``tag``, ``interlock``, ``hold``, ``output``, ``pair``.
        focus: the interlocks or the output or the tag that it is about.
        plant: the rules that take part.
        moving: tags whose readings change.
        vectors: joint readings of the moving tags; the first is that at rest.
        reasons: of each moving tag, the reasons for which it may be bad.
        resting: readings of the other tags.
        silenced: the moving tags that may fall silent or be bad.
        alike: of each moving tag, equal words for tags that differ in nothing but their names.
        asks: whether people ask for more than a release and a bypass, and the controller does what it likes.
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
    asks: bool = False


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

    Of one: one, or one for each choice of two inputs where there are many, and one for each instrument that people may
    hold. Of two: without what watches their inputs for them, which has slices of its own.
    """
    rules = [whole.interlocks[name] for name in focus]
    taken = {rule.id for rule in rules}
    if kind != "pair":
        taken |= {other.id for rule in rules for other in watchers(rule, whole)}
    included = [rule for rule in whole.plant.interlocks if rule.id in taken]
    own = tuple(dict.fromkeys(tag for rule in rules for tag in inputs_of(rule, whole.calculations)))
    for moving in _choices(rules, own, whole, pair=kind == "pair"):
        name = " with ".join(focus) + (f" ({', '.join(moving)})" if len(moving) < len(own) else "")
        yield _slice(whole, name, kind, tuple(focus), included, moving)
    holdable = {_likeness(rules, [tag], whole): tag for tag in reversed(own) if tag in whole.plant.holds.subjects}
    for tag in holdable.values() if kind == "interlock" else ():
        yield _slice(whole, f"{focus[0]}, {tag} held", "hold", tuple(focus), included, (tag,))


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
        parts.append((by_name[tag].stale_after_ms, *dict.fromkeys(roles)) if alone else (tag,))
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
    asks: bool = False,
    outputs: Sequence[str] = (),
) -> Slice:
    acted_on = {*outputs, *(effect.output for rule in included for effect in rule.effects)}
    acted_on |= {one.output for one in readings.conditions_of(included) if isinstance(one, Unproven)}
    releases = [_easier(rule, acted_on) for rule in whole.plant.releases if rule.output in acted_on]
    calculations = _needed_calculations(whole, included, releases)
    tags = _needed_tags(included, releases, calculations)
    resting = _resting(whole, tags, included, releases, calculations)
    conditions = list(readings.conditions_of(included))
    plant = Plant(
        tags=tuple(_bare(rule, hold=kind == "hold") for rule in whole.plant.tags if rule.tag in tags),
        calculated=tuple(rule for rule in whole.plant.calculated if rule.about.tag in calculations),
        interlocks=tuple(replace(rule, exposure_flow="", exposure_stop="") for rule in included),
        outputs=tuple(rule for rule in whole.plant.outputs if rule.id in acted_on),
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
        stands = [readings.standing([whole.interlocks[name] for name in focus], one, calculations) for one in values]
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
    return replace(rule, subjects={name: (name,) for name in moving if name in rule.subjects})


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


def _easier(rule: ReleaseRule, outputs: set[str]) -> ReleaseRule:
    """A release without the outputs that take no part."""
    return replace(rule, after_outputs=tuple(one for one in rule.after_outputs if one in outputs))


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


# --- outputs and tags by themselves ----------------------------------------------------------------------------


def output_slice(whole: Whole, output: str) -> Slice:
    """One output with the simplest interlock that acts on it, everything that people and the controller can do."""
    acting = [rule for rule in whole.plant.interlocks if any(effect.output == output for effect in rule.effects)]
    simplest = min(acting, key=lambda rule: (len(inputs_of(rule, whole.calculations)), len(watchers(rule, whole))))
    release = [rule for rule in whole.plant.releases if rule.output == output]
    wanted = [tag for rule in release for one in rule.requirements for tag in tags_of(one.condition)]
    moving = tuple(dict.fromkeys([*inputs_of(simplest, whole.calculations)[:1], *wanted]))[:MOST_MOVING]
    return _slice(whole, f"output {output}", "output", (output,), [simplest], moving, asks=True, outputs=[output])


def tag_slices(whole: Whole, tag: str) -> Iterator[Slice]:
    """One tag with each of those that vouch for it; the others are sound meanwhile."""
    rules = {rule.tag: rule for rule in whole.plant.tags}
    taken: dict[str, TagRule] = {}
    ahead = [tag]
    while ahead:
        name = ahead.pop()
        if name in rules and name not in taken:
            taken[name] = replace(rules[name], spike=None, partners=())
            ahead += governors_of(taken[name])
    tags = tuple(taken[rule.tag] for rule in whole.plant.tags if rule.tag in taken)
    sound, unsound = _vouching(taken)
    for voucher in [name for name in taken if name != tag] or [tag]:
        moving = tuple(dict.fromkeys([tag, voucher]))
        vectors = [tuple(sound[name] for name in moving)]
        for name in moving:
            vectors += [tuple(other if one == name else sound[one] for one in moving) for other in unsound[name]]
        yield Slice(
            name=f"tag {tag}" + (f" with {voucher}" if voucher != tag else ""),
            kind="tag",
            focus=(tag,),
            plant=Plant(tags=tags),
            moving=moving,
            vectors=tuple(vectors),
            reasons=tuple((Reason.NO_ANSWER,) for _ in moving),
            resting=sound,
            silenced=moving,
        )


def _vouching(taken: Mapping[str, TagRule]) -> tuple[dict[str, Number], dict[str, list[Number]]]:
    """Of each tag a reading that vouches for the others, and those that do not."""
    sound = {name: Number(1.0) for name in taken}
    unsound: dict[str, list[Number]] = {name: [] for name in taken}
    minimum: dict[str, float] = {}
    for rule in taken.values():
        for valid in rule.valid_when:
            minimum[valid.tag] = max(valid.minimum, minimum.get(valid.tag, valid.minimum))
        for bad in rule.bad_when:
            masked = [1 << bit for bit in range(bad.mask.bit_length()) if bad.mask >> bit & 1]
            unsound[bad.tag] += [Number(float(one)) for one in [*masked, *sorted(bad.values)]]
        if rule.hold_when is not None:
            sound[rule.hold_when.tag] = _DRY
            unsound[rule.hold_when.tag].append(Number(1.0))
        if rule.constant is not None and rule.constant.tag in taken:
            sound[rule.constant.tag] = Number(rule.constant.value)
            unsound[rule.constant.tag].append(Number(rule.constant.value + 2 * rule.constant.tolerance + 1.0))
    for name, least in minimum.items():
        sound[name] = Number(least)
        unsound[name].append(Number(least - max(abs(least), 1.0) * 1e-3))
    for rule in taken.values():
        for bad in rule.bad_when:
            spoiling = {one.value for one in unsound[bad.tag]}
            sound[bad.tag] = next(
                Number(float(one)) for one in range(256) if _spoils_nothing(one, taken, bad.tag, spoiling)
            )
    return sound, {name: list(dict.fromkeys(found)) for name, found in unsound.items()}


def _spoils_nothing(value: int, taken: Mapping[str, TagRule], tag: str, spoiling: set[float]) -> bool:
    masks = [bad.mask for rule in taken.values() for bad in rule.bad_when if bad.tag == tag]
    return float(value) not in spoiling and not any(value & mask for mask in masks)


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
