"""Stretches in which a reading is worth what it says, found by a look at columns instead of a judgement of each. Pure.

Calm is a stretch that the rules could judge in one way only: every reading of
the tag and of those that have a say in it is good and in time, nothing is held,
frozen, contradicted or has jumped, before it and in all of it. Where that is
not sure the answer is no, and each reading is judged by ``gateway.core``.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from operator import lt, sub
from typing import Protocol

from gateway.core.quality import Quality, Reason
from gateway.core.sample import Number, Sample
from gateway.core.tick import Tick
from gateway.core.validity import GovernorState, TagRule, TagState, accept, governors_of

_DIGITS = 9  # as the rules round differences
_AT_REST = GovernorState()


class Stretch(Protocol):
    """Readings of one tag in the order of their arrival: what is used of them."""

    @property
    def in_scan(self) -> Sequence[int]: ...
    @property
    def monotonic_ms(self) -> Sequence[int]: ...
    @property
    def utc_ms(self) -> Sequence[int]: ...
    @property
    def source_utc_ms(self) -> Sequence[int]: ...
    @property
    def values(self) -> Sequence[float]: ...


@dataclass(frozen=True, slots=True)
class Reach:
    """All values that a tag had from the beginning of a stretch to its end.

    Args:
        values: the one that stood before, and those of the stretch.
    """

    values: Sequence[float]

    def keeps_within(self, other: "Reach", deviation: float) -> bool:
        """Whether no value of the one is so far from any of the other."""
        apart = max(max(self.values) - min(other.values), max(other.values) - min(self.values))
        return round(apart, _DIGITS) < deviation


def reach_of(state: TagState, values: Sequence[float]) -> Reach | None:
    """Of a tag whose readings of the stretch are all good; None when the one before is not."""
    reading = state.reading
    if not isinstance(reading, Number) or (reading.quality, reading.reason) != (Quality.GOOD, Reason.OK):
        return None
    return Reach((reading.value, *values))


def calm_after(
    rule: TagRule, state: TagState, stretch: Stretch, reaches: Mapping[str, Reach], end_ms: int
) -> TagState | None:
    """The state after a calm stretch; None when it is not sure to be one.

    Args:
        rule: of the tag.
        state: before the stretch.
        stretch: its readings, all good, in the order in which scans saw them; possibly none.
        reaches: of the tag, of those that have a say in it and of its partners, as far as theirs are good.
        end_ms: moment of the last scan of the stretch, monotonic.
    """
    quiet = _at_rest(rule, state) and _vouched(rule, reaches) and _in_time(rule, state, stretch, end_ms)
    if not quiet or not _without_jump(rule, state, stretch):
        return None
    moved = _moved(rule, state, stretch, end_ms)
    return None if moved is None else _after(rule, state._replace(moved_ms=moved[0], moved_value=moved[1]), stretch)


def _at_rest(rule: TagRule, state: TagState) -> bool:
    waiting = any(governor != _AT_REST for governor in state.governors)
    contradicted = any(since is not None for since in state.contradicted_since_ms)
    jumped = rule.spike is not None and (state.level is None or state.level.before is not None)
    return state.delivered and state.has_say and state.held_since_ms is None and not (waiting or contradicted or jumped)


def _vouched(rule: TagRule, reaches: Mapping[str, Reach]) -> bool:
    """Whether no value of another tag has anything against this one, in the whole stretch."""
    own = reaches[rule.tag]
    if any(tag not in reaches for tag in governors_of(rule)):
        return False
    if rule.hold_when is not None and 1.0 in reaches[rule.hold_when.tag].values:
        return False
    for bad in rule.bad_when:
        if any(value in bad.values or int(value) & bad.mask for value in set(reaches[bad.tag].values)):
            return False
    if any(min(reaches[valid.tag].values) < valid.minimum for valid in rule.valid_when):
        return False
    if rule.constant is not None and rule.constant.tag == rule.tag:
        furthest = max(abs(value - rule.constant.value) for value in own.values)
        if round(furthest - rule.constant.tolerance, _DIGITS) > 0:
            return False
    return all(
        partner.tag in reaches and own.keeps_within(reaches[partner.tag], partner.deviation)
        for partner in rule.partners
    )


def _in_time(rule: TagRule, state: TagState, stretch: Stretch, end_ms: int) -> bool:
    """Whether each reading is taken in, one a scan, before the one ahead of it is stale."""
    utc_ms, stamps = stretch.utc_ms, stretch.source_utc_ms
    if not _rising((state.newest_utc_ms, *stamps)) or not _rising(stretch.in_scan):
        return False
    stale_ms = rule.stale_after_ms
    if stamps != utc_ms:
        if max(map(sub, stamps, utc_ms)) > rule.max_future_ms:
            return False
        if stale_ms is not None and max(map(sub, utc_ms, stamps)) >= stale_ms:
            return False
    at_ms = (state.accepted_ms, *stretch.monotonic_ms, end_ms)
    return stale_ms is None or max(map(sub, at_ms[1:], at_ms)) < stale_ms


def _rising(column: Sequence[int]) -> bool:
    return all(map(lt, column, column[1:]))


def _without_jump(rule: TagRule, state: TagState, stretch: Stretch) -> bool:
    if rule.spike is None or state.level is None:
        return True
    values = (state.level.last, *stretch.values)
    return round(max(map(abs, map(sub, values[1:], values)), default=0.0), _DIGITS) <= rule.spike.step


def _moved(rule: TagRule, state: TagState, stretch: Stretch, end_ms: int) -> tuple[int, float | None] | None:
    """When it moved last before its last reading, and the value then; None when it stood still too long meanwhile."""
    at_ms, value = state.moved_ms, state.moved_value
    if rule.frozen_after_ms is None:
        return at_ms, value
    if value is None:
        return None
    longest_ms = 0
    for here_ms, here in zip(stretch.monotonic_ms, stretch.values, strict=True):
        if round(abs(here - value), _DIGITS) > rule.frozen_band:
            longest_ms = max(longest_ms, here_ms - at_ms)
            if here_ms == stretch.monotonic_ms[-1]:
                return (at_ms, value) if longest_ms < rule.frozen_after_ms else None
            at_ms, value = here_ms, here
    return (at_ms, value) if max(longest_ms, end_ms - at_ms) < rule.frozen_after_ms else None


def _after(rule: TagRule, state: TagState, stretch: Stretch) -> TagState:
    """With all readings taken in: the last but one as all before it, the last by the rules."""
    if not stretch.values:
        return state
    if len(stretch.values) > 1:
        at_ms, value = stretch.monotonic_ms[-2], stretch.values[-2]
        level = None if state.level is None else type(state.level)(last=value, last_ms=at_ms)
        state = state._replace(
            reading=Number(value),
            accepted_ms=at_ms,
            newest_utc_ms=stretch.source_utc_ms[-2],
            previous_ms=at_ms,
            previous_value=value,
            level=level,
        )
    arrived = Tick(monotonic_ms=stretch.monotonic_ms[-1], utc_ms=stretch.utc_ms[-1])
    last = Sample(
        tag=rule.tag,
        reading=Number(stretch.values[-1]),
        arrived=arrived,
        source_utc_ms=stretch.source_utc_ms[-1],
    )
    return accept(rule, state, last, now=arrived, holding=False)


__all__ = ["Reach", "calm_after", "reach_of"]
