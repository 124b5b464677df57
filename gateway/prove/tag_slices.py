"""Slices of one tag with each of those that vouch for it, and readings that do and do not. Decides nothing."""

from collections.abc import Iterator, Mapping
from dataclasses import replace

from gateway.core.plant import Plant
from gateway.core.quality import Reason
from gateway.core.sample import Number
from gateway.core.validity import TagRule, governors_of
from gateway.prove.slices import Slice, Whole

_DRY = Number(0.0)


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
