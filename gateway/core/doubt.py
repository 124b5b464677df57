"""Why a good reading may still be doubted: it jumped, or an instrument beside it says something else.

Decides only whether a number is marked uncertain, with the reason SPIKE or
PARTNER; it never takes a number away, and a reading that is marked already
(clipped, rounded) keeps its own mark. A contradiction says more than a jump
and goes before it.

A jump is one from a good reading to the next. The new level has to last; a
reading near the old level ends the matter without a trace, and a second jump
starts the time again. Readings further apart than the tag's stale limit are
not next to each other.
"""

from dataclasses import dataclass, replace

from gateway.core.delay import running_since
from gateway.core.quality import Quality, Reason
from gateway.core.sample import Number

_DIGITS = 9  # hides what binary fractions do to 1.1 - 1.0; far finer than any instrument


@dataclass(frozen=True, slots=True, kw_only=True)
class Spike:
    """A jump that is not believed at once.

    Args:
        step: a jump from one good reading to the next by more than this, engineering units.
        confirm_ms: how long the new level must last.
    """

    step: float
    confirm_ms: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Partner:
    """Another tag that should show about the same.

    Args:
        tag: the other tag, of the same unit.
        deviation: difference from which on the two contradict each other, engineering units.
        after_ms: they must contradict each other for so long, without a break.
    """

    tag: str
    deviation: float
    after_ms: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Level:
    """Where a tag stands as far as jumps are concerned. Times are monotonic.

    Args:
        last: the last good reading.
        last_ms: when it arrived.
        before: the level that was left by a jump which is not believed yet; None while there is none.
        jumped_ms: when the newest jump arrived.
    """

    last: float
    last_ms: int
    before: float | None = None
    jumped_ms: int = 0


def level_after(spike: Spike, level: Level | None, value: float, arrived_ms: int, *, longest_gap_ms: int) -> Level:
    """Take a good reading in.

    Args:
        spike: the rule.
        level: as the last good reading left it; None before the first.
        value: the reading.
        arrived_ms: when it arrived.
        longest_gap_ms: from this distance on it is not next to the last one, and is believed.
    """
    here = Level(last=value, last_ms=arrived_ms)
    if level is None or arrived_ms - level.last_ms >= longest_gap_ms:
        return here
    jumped = _apart(value, level.last) > spike.step
    if level.before is None:
        return replace(here, before=level.last, jumped_ms=arrived_ms) if jumped else here
    if _apart(value, level.before) <= spike.step:
        return here
    if jumped:
        return replace(here, before=level.before, jumped_ms=arrived_ms)
    lasted = arrived_ms - level.jumped_ms >= spike.confirm_ms
    return here if lasted else replace(here, before=level.before, jumped_ms=level.jumped_ms)


def in_doubt(level: Level | None) -> bool:
    """Whether the last good reading has jumped and is not believed yet."""
    return level is not None and level.before is not None


def contradicted_since(
    partner: Partner, since_ms: int | None, *, own: Number | None, other: Number | None, now_ms: int
) -> int | None:
    """Since when the two contradict each other; None while they do not, or while one of them has nothing to say."""
    if own is None or other is None or _apart(own.value, other.value) < partner.deviation:
        return None
    return running_since(since_ms, now_ms)


def marked(number: Number, *, contradicted: bool, jumped: bool) -> Number:
    """The number with the doubt that is cast on it."""
    if number.quality is not Quality.GOOD or not (contradicted or jumped):
        return number
    return Number(number.value, Quality.UNCERTAIN, Reason.PARTNER if contradicted else Reason.SPIKE)


def after_restart(level: Level | None, shift_ms: int) -> Level | None:
    """A level carried into another run's monotonic time, so that a jump's time counts wall time."""
    if level is None:
        return None
    return replace(level, last_ms=level.last_ms + shift_ms, jumped_ms=level.jumped_ms + shift_ms)


def _apart(one: float, other: float) -> float:
    return round(abs(one - other), _DIGITS)
