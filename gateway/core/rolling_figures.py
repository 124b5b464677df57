"""Mean and largest value over a window that ends now, of a value that comes scan by scan.

Each value lasts from one scan to the next; time in which there was none does
not count. Time is gathered in 240 parts of the window, so that a day is
remembered to 6 min and the oldest part counts until all of it has left: what
is remembered stays small, and a scan costs the same after a day as at first.
The record has the exact windows (``gateway.treatment.rolling``).
"""

from dataclasses import dataclass

from gateway.core.window import width_ms


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """Time gathered.

    Args:
        until_ms: on the figure's clock, the instant until which it gathers.
        counted_ms: time with a value.
        mean: over that time.
        largest: value in it.
        clipped: whether a value at the end of an instrument's span is in it.
    """

    until_ms: int
    counted_ms: int
    mean: float
    largest: float
    clipped: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class RollingState:
    """What is remembered of one window.

    Args:
        parts: oldest first.
        value: at the last scan; None when there was none.
        clipped: whether that stood at the end of an instrument's span.
        clock_ms: since the figure began.
    """

    parts: tuple[Part, ...] = ()
    value: float | None = None
    clipped: bool = False
    clock_ms: int = 0


FRESH = RollingState()


def advance(
    state: RollingState, value: float | None, *, clipped: bool, elapsed_ms: int, window_ms: int
) -> RollingState:
    """The state after one more scan.

    Args:
        state: as the last scan left it.
        value: now; None when there is none that may be used.
        clipped: whether it stands at the end of an instrument's span.
        elapsed_ms: since the last scan.
        window_ms: length of the window.
    """
    clock_ms = state.clock_ms + elapsed_ms
    parts = _gathered(state, clock_ms, elapsed_ms, window_ms)
    first = 0
    while first < len(parts) and parts[first].until_ms <= clock_ms - window_ms:
        first += 1
    return RollingState(parts=parts[first:], value=value, clipped=clipped, clock_ms=clock_ms)


def _gathered(state: RollingState, clock_ms: int, elapsed_ms: int, window_ms: int) -> tuple[Part, ...]:
    """The value of the last scan, which has lasted until now, taken in."""
    if state.value is None or elapsed_ms <= 0:
        return state.parts
    if not state.parts or clock_ms > state.parts[-1].until_ms:
        until_ms = clock_ms + width_ms(window_ms)
        part = Part(
            until_ms=until_ms,
            counted_ms=elapsed_ms,
            mean=state.value,
            largest=state.value,
            clipped=state.clipped,
        )
        return (*state.parts, part)
    last = state.parts[-1]
    counted_ms = last.counted_ms + elapsed_ms
    share = elapsed_ms / counted_ms
    part = Part(
        until_ms=last.until_ms,
        counted_ms=counted_ms,
        mean=last.mean * (1 - share) + state.value * share,
        largest=max(last.largest, state.value),
        clipped=last.clipped or state.clipped,
    )
    return (*state.parts[:-1], part)


def mean(state: RollingState) -> float | None:
    """Weighted by time; the newest value while no time has passed; None when nothing is known."""
    counted_ms = sum([part.counted_ms for part in state.parts])
    if not counted_ms:
        return state.value
    return sum([part.mean * (part.counted_ms / counted_ms) for part in state.parts])


def largest(state: RollingState) -> float | None:
    """The largest value, the newest among them; None when nothing is known."""
    values = [part.largest for part in state.parts]
    if state.value is not None:
        values.append(state.value)
    return max(values, default=None)


def clipped(state: RollingState) -> bool:
    """Whether a value at the end of an instrument's span is in the window."""
    return state.clipped or any(part.clipped for part in state.parts)


def after_restart(state: RollingState, away_ms: int) -> RollingState:
    """The state when the engine runs again: of the time between, nothing is known, and it has passed.

    The last value has lasted for no time that is known; as the largest it counts all the same.
    """
    parts = state.parts
    if state.value is not None:
        part = Part(
            until_ms=max([state.clock_ms, *(one.until_ms for one in parts[-1:])]),
            counted_ms=0,
            mean=state.value,
            largest=state.value,
            clipped=state.clipped,
        )
        parts = (*parts, part)
    return RollingState(parts=parts, clock_ms=state.clock_ms + max(0, away_ms))
