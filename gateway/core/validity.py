"""What a tag's reading is worth at this instant. Judged once, here, for everybody.

A ``TagRule`` says when a tag goes stale, which other tags vouch for it (sample
flow, hold, status, the device's test constant), how long it may stand still
and what casts doubt on it. The verdict is one of five: a number, a text, no
number, held, or awaited (nothing since the start).

Of several reasons the first counts: held; overdue; the test constant, unless
nothing was read at all; no fresh water; what the reading says of itself;
status; frozen; then, of those that only mark a number: clipped or rounded, a
contradicting partner, a jump.

A tag that vouches for another is judged before it. A partner is not: two tags
may name each other. What counts of a partner is its newest reading, provided
that the last time it was judged, in this scan or the one before, it had a
number of its own; marks cast by partners do not enter, so that doubt never
feeds on itself.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import NamedTuple

from gateway.core import doubt
from gateway.core.delay import due, shifted
from gateway.core.doubt import Level, Partner, Spike
from gateway.core.quality import Quality, Reason
from gateway.core.sample import NoNumber, Number, Reading, Sample, Text
from gateway.core.tick import Tick


@dataclass(frozen=True, slots=True, kw_only=True)
class ValidWhen:
    """The reading means something only while another tag is at least ``minimum``.

    Args:
        tag: the governing tag, such as a sample flow.
        minimum: below this (or bad) the governed tag becomes invalid.
        invalid_after_ms: it must be so for this long, without a break.
        purge_ms: how long the governed tag stays bad after the flow is back.
    """

    tag: str
    minimum: float
    invalid_after_ms: int = 0
    purge_ms: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class BadWhen:
    """The reading is bad while any of these bits stands in a status tag, or while it has one of these values.

    Args:
        tag: the status tag.
        mask: the bits.
        reason: what that means for the governed tag.
        values: the values.
    """

    tag: str
    mask: int = 0
    reason: Reason
    values: frozenset[float] = frozenset()


@dataclass(frozen=True, slots=True, kw_only=True)
class HoldWhen:
    """The tag is held while ``tag`` is 1; past ``limit_ms`` it counts as bad."""

    tag: str
    limit_ms: int


@dataclass(frozen=True, slots=True, kw_only=True)
class TestConstant:
    """A number that the device always shows; while it reads wrong, no other reading of the device means anything.

    Args:
        tag: the tag that reads it; it is itself bad while it reads wrong.
        value: what it reads, engineering units.
        tolerance: difference that rounding may make.
    """

    __test__ = False  # its name makes pytest look for tests in it

    tag: str
    value: float
    tolerance: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class TagRule:
    """How one tag is judged.

    Args:
        tag: its name.
        unit: engineering unit, empty for states and counts.
        service: what it measures, in words for people.
        stale_after_ms: bad from this age on; None never goes stale.
        uncertain_counts: whether an uncertain reading may be used.
        valid_when: tags that must be at least a minimum.
        bad_when: status bits and values that make it bad.
        hold_when: a tag that holds it.
        constant: the test constant of its device.
        frozen_after_ms: bad when it has not moved for this long; None is not judged.
        frozen_band: a movement of at most this much is none.
        spike: jumps that are not believed at once; None believes every one.
        partners: tags that should show about the same.
        max_future_ms: a source stamp further ahead is replaced by the arrival.
        rolls_over_at: engineering value at which a total begins again from 0; None when it never does.
        states: what its values mean, in words.
        bit_names: what its bits mean, in words.
    """

    tag: str
    unit: str = ""
    service: str = ""
    stale_after_ms: int | None = None
    uncertain_counts: bool = True
    valid_when: tuple[ValidWhen, ...] = ()
    bad_when: tuple[BadWhen, ...] = ()
    hold_when: HoldWhen | None = None
    frozen_after_ms: int | None = None
    frozen_band: float = 0.0
    constant: TestConstant | None = None
    spike: Spike | None = None
    partners: tuple[Partner, ...] = ()
    max_future_ms: int = 5_000
    rolls_over_at: float | None = None
    states: Mapping[int, str] = field(default_factory=dict)
    bit_names: Mapping[int, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Held:
    """A person or the device holds the value: nothing may move because of it."""


@dataclass(frozen=True, slots=True)
class Awaited:
    """Nothing has arrived since the start, and it is not overdue yet."""


Verdict = Number | NoNumber | Text | Held | Awaited

HELD = Held()
AWAITED = Awaited()
_STALE = NoNumber(Reason.STALE)
_WRONG_CONSTANT = NoNumber(Reason.WRONG_CONSTANT)
_NOTHING_YET = NoNumber(Reason.AWAITED)
_LONG_AGO_MS = -(1 << 62)
_NOTHING_READ = frozenset({Reason.NO_ANSWER, Reason.REFUSED, Reason.INVALID_REPLY})
_NO_BOUND_MS = 1 << 62


@dataclass(frozen=True, slots=True, kw_only=True)
class GovernorState:
    """How one ``ValidWhen`` stands: since when low, whether that made the tag invalid, since when back."""

    low_since_ms: int | None = None
    invalid: bool = False
    back_since_ms: int | None = None


class TagState(NamedTuple):
    """What is remembered of one tag between scans. Times are monotonic unless named UTC.

    A tuple, since one is made for every reading of the plant. The record keeps it by position: what is new comes last
    and has a default.

    Args:
        reading: the last one accepted for evaluation.
        accepted_ms: when it arrived; the start for a tag that has not delivered.
        newest_utc_ms: newest source stamp accepted; older ones are history only.
        delivered: whether anything was accepted since the last start.
        moved_ms: last movement beyond the frozen band.
        moved_value: the value then; None before the first.
        previous_ms: when the last usable number arrived, for rates.
        previous_value: that number; None before the first.
        rate_per_min: change per minute between the last two usable numbers; None when not known.
        held_since_ms: since when held; a hold ends with the first sample after it.
        governors: one for each ``valid_when`` of the rule.
        level: where it stands as far as jumps are concerned; None without a rule for them.
        contradicted_since_ms: one for each partner of the rule; None while it does not contradict.
        has_say: whether it had a number of its own the last time it was judged, and may contradict a partner.
        says_until_ms: until then the reading itself is the verdict as long as its governors are sound; 0 where doubt
            may be cast on it.
    """

    reading: Reading = _NOTHING_YET
    accepted_ms: int = 0
    newest_utc_ms: int = _LONG_AGO_MS
    delivered: bool = False
    moved_ms: int = 0
    moved_value: float | None = None
    previous_ms: int = 0
    previous_value: float | None = None
    rate_per_min: float | None = None
    held_since_ms: int | None = None
    governors: tuple[GovernorState, ...] = ()
    level: Level | None = None
    contradicted_since_ms: tuple[int | None, ...] = ()
    has_say: bool = False
    says_until_ms: int = 0


def governors_of(rule: TagRule) -> tuple[str, ...]:
    """Every tag that has a say in what this one is worth; each must be judged before it."""
    held = () if rule.hold_when is None else (rule.hold_when.tag,)
    constant = () if rule.constant is None or rule.constant.tag == rule.tag else (rule.constant.tag,)
    return (*(when.tag for when in rule.valid_when), *(when.tag for when in rule.bad_when), *held, *constant)


def fresh_tag(rule: TagRule, now: Tick) -> TagState:
    """The state of a tag of which nothing is known yet."""
    start_ms = now.monotonic_ms
    return TagState(
        accepted_ms=start_ms,
        moved_ms=start_ms,
        governors=tuple(GovernorState() for _ in rule.valid_when),
        contradicted_since_ms=tuple(None for _ in rule.partners),
    )


def fits(rule: TagRule, state: TagState) -> bool:
    """Whether a saved state has the shape of the rule."""
    shape = len(rule.valid_when), len(rule.partners)
    return (len(state.governors), len(state.contradicted_since_ms)) == shape


def accept(rule: TagRule, state: TagState, sample: Sample, *, now: Tick, holding: bool) -> TagState:
    """Take a sample in, or leave the state alone when the sample is history only.

    Args:
        rule: the tag's rule.
        state: as the last scan left it.
        sample: what arrived.
        now: this scan.
        holding: whether the tag's hold stands now; such a sample is never evaluated.
    """
    stamp_ms = sample.source_utc_ms
    if stamp_ms > now.utc_ms + rule.max_future_ms:
        stamp_ms = now.utc_ms
    if stamp_ms <= state.newest_utc_ms or _belated(rule, stamp_ms, sample.arrived):
        return state
    if holding:
        return state._replace(newest_utc_ms=stamp_ms)
    return _evaluated(rule, state, sample, stamp_ms)


def _belated(rule: TagRule, stamp_ms: int, arrived: Tick) -> bool:
    """Old already when it arrived, by the wall clock of that moment: one set since then makes no sample old."""
    return rule.stale_after_ms is not None and arrived.utc_ms - stamp_ms >= rule.stale_after_ms


def _evaluated(rule: TagRule, state: TagState, sample: Sample, stamp_ms: int) -> TagState:
    """The state with a sample taken in: one new value, since this runs for every reading of the plant."""
    arrived_ms, reading = sample.arrived.monotonic_ms, sample.reading
    if not isinstance(reading, Number):
        return state._replace(
            newest_utc_ms=stamp_ms,
            held_since_ms=None,
            reading=reading,
            accepted_ms=arrived_ms,
            delivered=True,
            says_until_ms=0,
        )
    value = reading.value
    moved = rule.frozen_after_ms is None or _moved(rule, state, value)
    level = state.level if rule.spike is None else _level_after(rule, rule.spike, state, reading, arrived_ms)
    usable = rule.uncertain_counts or (reading.quality is Quality.GOOD and not doubt.in_doubt(level))
    return TagState(
        newest_utc_ms=stamp_ms,
        held_since_ms=None,
        reading=reading,
        accepted_ms=arrived_ms,
        delivered=True,
        moved_ms=arrived_ms if moved else state.moved_ms,
        moved_value=value if moved else state.moved_value,
        level=level,
        rate_per_min=_rate(rule, state, value, arrived_ms) if usable else state.rate_per_min,
        previous_ms=arrived_ms if usable else state.previous_ms,
        previous_value=value if usable else state.previous_value,
        governors=state.governors,
        contradicted_since_ms=state.contradicted_since_ms,
        has_say=state.has_say,
        says_until_ms=_says_until_ms(rule, arrived_ms, arrived_ms if moved else state.moved_ms) if usable else 0,
    )


def _moved(rule: TagRule, state: TagState, value: float) -> bool:
    return state.moved_value is None or round(abs(value - state.moved_value), 9) > rule.frozen_band


def _says_until_ms(rule: TagRule, accepted_ms: int, moved_ms: int) -> int:
    """Until when nothing but a new reading or a governor can change what the tag is worth; 0 where doubt may."""
    if rule.partners or rule.spike or rule.hold_when or rule.constant:
        return 0
    stale_ms = _NO_BOUND_MS if rule.stale_after_ms is None else accepted_ms + rule.stale_after_ms
    return stale_ms if rule.frozen_after_ms is None else min(stale_ms, moved_ms + rule.frozen_after_ms)


def _level_after(rule: TagRule, spike: Spike, state: TagState, reading: Number, arrived_ms: int) -> Level | None:
    if reading.quality is not Quality.GOOD:
        return state.level
    gap_ms = _NO_BOUND_MS if rule.stale_after_ms is None else rule.stale_after_ms
    return doubt.level_after(spike, state.level, reading.value, arrived_ms, longest_gap_ms=gap_ms)


def _rate(rule: TagRule, state: TagState, value: float, arrived_ms: int) -> float | None:
    gap_ms = arrived_ms - state.previous_ms
    if state.previous_value is None or gap_ms <= 0:
        return None
    if rule.stale_after_ms is not None and gap_ms >= rule.stale_after_ms:
        return None
    return round(abs(value - state.previous_value) * 60_000 / gap_ms, 9)


def _jumped(rule: TagRule, state: TagState) -> bool:
    return rule.spike is not None and doubt.in_doubt(state.level)


def _usable(rule: TagRule, reading: Number) -> bool:
    return rule.uncertain_counts or reading.quality is not Quality.UNCERTAIN


def judge(
    rule: TagRule, state: TagState, verdicts: Mapping[str, Verdict], now: Tick, *, beside: Mapping[str, TagState]
) -> tuple[TagState, Verdict]:
    """What the tag is worth now.

    Args:
        rule: the tag's rule.
        state: with this scan's samples accepted.
        verdicts: of the governing tags, already judged in this scan.
        now: this scan.
        beside: states of the partners; judged already in this scan or not.

    Returns:
        The state with its timers moved on, and the verdict.
    """
    if now.monotonic_ms < state.says_until_ms and state.has_say and _plainly_vouched(rule, state, verdicts):
        return state, state.reading  # as it mostly is
    if rule.valid_when or rule.hold_when is not None:
        state = _governed(rule, state, verdicts, now.monotonic_ms)
    verdict = _verdict(rule, state, verdicts, now.monotonic_ms)
    own = verdict if isinstance(verdict, Number) else None
    if state.has_say != (own is not None):
        state = state._replace(has_say=own is not None)
    if rule.partners:
        state = _compared(rule, state, own, beside, now.monotonic_ms)
    if own is None or (rule.spike is None and not rule.partners):
        return state, verdict  # as most tags are: nothing can cast doubt on it
    return state, _doubted(rule, state, own, now.monotonic_ms)


def _plainly_vouched(rule: TagRule, state: TagState, verdicts: Mapping[str, Verdict]) -> bool:
    """Whether one look at each governor shows that it has nothing against the tag, as it had nothing before."""
    for bad in rule.bad_when:
        verdict = verdicts.get(bad.tag)
        if not isinstance(verdict, Number) or verdict.reason is Reason.ROUNDED:
            return False
        if (verdict.value and int(verdict.value) & bad.mask) or (bad.values and verdict.value in bad.values):
            return False
    if not rule.valid_when:
        return True
    for valid, governor in zip(rule.valid_when, state.governors, strict=True):
        verdict = verdicts.get(valid.tag)
        if governor.invalid or governor.low_since_ms is not None:
            return False
        if not isinstance(verdict, Number) or verdict.value < valid.minimum:
            return False
    return True


def _compared(
    rule: TagRule, state: TagState, own: Number | None, beside: Mapping[str, TagState], now_ms: int
) -> TagState:
    since_ms = tuple(
        doubt.contradicted_since(partner, one_ms, own=own, other=_say(beside.get(partner.tag)), now_ms=now_ms)
        for partner, one_ms in zip(rule.partners, state.contradicted_since_ms, strict=True)
    )
    return state if since_ms == state.contradicted_since_ms else state._replace(contradicted_since_ms=since_ms)


def _say(state: TagState | None) -> Number | None:
    return state.reading if state is not None and state.has_say and isinstance(state.reading, Number) else None


def _doubted(rule: TagRule, state: TagState, own: Number, now_ms: int) -> Verdict:
    contradicted = any(
        due(since_ms, partner.after_ms, now_ms)
        for partner, since_ms in zip(rule.partners, state.contradicted_since_ms, strict=True)
    )
    number = doubt.marked(own, contradicted=contradicted, jumped=_jumped(rule, state))
    return number if _usable(rule, number) else NoNumber(Reason.UNCERTAIN_REFUSED)


def _governed(rule: TagRule, state: TagState, verdicts: Mapping[str, Verdict], now_ms: int) -> TagState:
    governors = tuple(
        _govern(when, governor, verdicts.get(when.tag, AWAITED), now_ms)
        for when, governor in zip(rule.valid_when, state.governors, strict=True)
    )
    held_since_ms = state.held_since_ms
    if rule.hold_when is not None and held_since_ms is None and reads(verdicts.get(rule.hold_when.tag, AWAITED), 1.0):
        held_since_ms = now_ms
    if governors == state.governors and held_since_ms == state.held_since_ms:
        return state
    return state._replace(governors=governors, held_since_ms=held_since_ms)


def _govern(when: ValidWhen, state: GovernorState, verdict: Verdict, now_ms: int) -> GovernorState:
    if isinstance(verdict, Held | Awaited):
        return state
    if not isinstance(verdict, Number) or verdict.value < when.minimum:
        since_ms = now_ms if state.low_since_ms is None else state.low_since_ms
        return GovernorState(low_since_ms=since_ms, invalid=state.invalid or now_ms - since_ms >= when.invalid_after_ms)
    if not state.invalid:
        return GovernorState()
    back_ms = now_ms if state.back_since_ms is None else state.back_since_ms
    return GovernorState() if now_ms - back_ms >= when.purge_ms else GovernorState(invalid=True, back_since_ms=back_ms)


def _verdict(rule: TagRule, state: TagState, verdicts: Mapping[str, Verdict], now_ms: int) -> Verdict:
    """The first of these that applies: held, overdue, wrong constant, no fresh water, nothing yet, and the reading."""
    if state.held_since_ms is not None and rule.hold_when is not None:
        return NoNumber(Reason.HOLD) if now_ms - state.held_since_ms >= rule.hold_when.limit_ms else HELD
    if rule.stale_after_ms is not None and now_ms - state.accepted_ms >= rule.stale_after_ms:
        return _overdue(state)
    refused = _by_constant(rule, state, verdicts)
    if refused is not None:
        return refused
    for governor in state.governors:
        if governor.invalid:
            return NoNumber(Reason.NO_SAMPLE_FLOW if governor.back_since_ms is None else Reason.PURGING)
    return _of_reading(rule, state, verdicts, now_ms) if state.delivered else AWAITED


def _by_constant(rule: TagRule, state: TagState, verdicts: Mapping[str, Verdict]) -> Verdict | None:
    """What the test constant makes of the tag; None lets it pass."""
    constant = rule.constant
    if constant is None:
        return None
    nothing_read = isinstance(state.reading, NoNumber) and state.reading.reason in _NOTHING_READ
    if state.delivered and nothing_read:
        return None
    if constant.tag == rule.tag:
        return None if not state.delivered or _is_constant(state.reading, constant) else _WRONG_CONSTANT
    verdict = verdicts.get(constant.tag, AWAITED)
    if isinstance(verdict, Number | Awaited):
        return None if isinstance(verdict, Number) else AWAITED
    return verdict if verdict == _WRONG_CONSTANT else NoNumber(Reason.GOVERNOR_BAD)


def _is_constant(reading: Reading, constant: TestConstant) -> bool:
    """Whether it reads what it must; rubbish that is no number at all does not."""
    if not isinstance(reading, Number):
        return False
    return round(abs(reading.value - constant.value) - constant.tolerance, 9) <= 0


def _of_reading(rule: TagRule, state: TagState, verdicts: Mapping[str, Verdict], now_ms: int) -> Verdict:
    if isinstance(state.reading, NoNumber):
        return state.reading
    for when in rule.bad_when:
        spoiled = _spoiled(when, verdicts.get(when.tag, AWAITED))
        if spoiled is not None:
            return spoiled
    if isinstance(state.reading, Text):
        return state.reading
    if rule.frozen_after_ms is not None and now_ms - state.moved_ms >= rule.frozen_after_ms:
        return NoNumber(Reason.FROZEN)
    return state.reading if _usable(rule, state.reading) else NoNumber(Reason.UNCERTAIN_REFUSED)


def _overdue(state: TagState) -> NoNumber:
    """Stale; when the last thing heard was already a failure, that failure says more."""
    if state.delivered and isinstance(state.reading, NoNumber):
        return state.reading
    return _STALE


def _spoiled(when: BadWhen, verdict: Verdict) -> Verdict | None:
    if isinstance(verdict, Awaited | Held):
        return AWAITED if isinstance(verdict, Awaited) else None
    if not isinstance(verdict, Number) or (when.mask and verdict.reason is Reason.ROUNDED):
        return NoNumber(Reason.GOVERNOR_BAD)
    stands = int(verdict.value) & when.mask or verdict.value in when.values
    return NoNumber(when.reason) if stands else None


def reads(verdict: Verdict, value: float) -> bool:
    """Whether there is a usable number and it is exactly ``value``."""
    return isinstance(verdict, Number) and verdict.value == value


def silenced(state: TagState) -> TagState:
    """While a person holds it, a tag has no say about its partners, and no shortcut to its own verdict."""
    return state._replace(has_say=False, says_until_ms=0) if state.has_say or state.says_until_ms else state


def after_restart(state: TagState, *, down_ms: int, shift_ms: int, wall_went_back: bool) -> TagState:
    """The state of a tag when the engine runs again: its age counts running time only.

    Args:
        state: as saved.
        down_ms: monotonic milliseconds between the save and now.
        shift_ms: how far stamps of delays move, so that they count wall time.
        wall_went_back: source stamps can then no longer be compared.
    """
    return state._replace(
        delivered=False,
        accepted_ms=state.accepted_ms + down_ms,
        moved_ms=state.moved_ms + down_ms,
        previous_ms=state.previous_ms + shift_ms,  # a rate over the gap is one per wall minute
        newest_utc_ms=_LONG_AGO_MS if wall_went_back else state.newest_utc_ms,
        held_since_ms=shifted(state.held_since_ms, shift_ms),
        governors=tuple(
            replace(
                governor,
                low_since_ms=shifted(governor.low_since_ms, shift_ms),
                back_since_ms=shifted(governor.back_since_ms, shift_ms),
            )
            for governor in state.governors
        ),
        level=doubt.after_restart(state.level, shift_ms),
        contradicted_since_ms=tuple(None for _ in state.contradicted_since_ms),  # both have to say it again
        has_say=False,
        says_until_ms=0,
    )


def forget_stamps(state: TagState) -> TagState:
    """After a step of the wall clock, the comparison of source stamps starts afresh."""
    return state._replace(newest_utc_ms=_LONG_AGO_MS)
