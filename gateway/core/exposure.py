"""How much doubtful water may have passed before the output was proven safe.

Counted from the first reading in condition, at the flow the plant reports,
until the position proves the safe level or the flow is known to be stopped.
Water that still lies between the tap and the valve has not passed.
"""

from dataclasses import dataclass, replace

_MS_PER_HOUR = 3_600_000
_L_PER_M3 = 1_000


@dataclass(frozen=True, slots=True, kw_only=True)
class ExposureState:
    """Litres counted for one interlock.

    Args:
        litres: past the tap since the cause began.
        counting: whether water is counted now; a finished count keeps its figures for one scan, to be reported.
        since_ms: when the cause began.
        tripped: the interlock has tripped since.
        blind: the flow was not known for some of the time.
    """

    litres: float = 0.0
    counting: bool = False
    since_ms: int = 0
    tripped: bool = False
    blind: bool = False


QUIET = ExposureState()


def step(
    state: ExposureState,
    *,
    voted: bool,
    tripped: bool,
    closed: bool,
    flow_m3_h: float | None,
    elapsed_ms: int,
    now_ms: int,
) -> tuple[ExposureState, bool]:
    """Count on, start or end.

    Args:
        state: as the last scan left it.
        voted: a cause of the interlock stands now.
        tripped: the interlock tripped in this scan or before.
        closed: the output is proven safe, or the flow known to be stopped.
        flow_m3_h: flow towards the output, None when not known.
        elapsed_ms: since the last scan.
        now_ms: this scan.

    Returns:
        The new state, and whether the count has ended with something to report.
    """
    if not state.counting:
        return (ExposureState(counting=True, since_ms=now_ms) if voted and not closed else QUIET), False
    if closed:
        return replace(state, counting=False), state.tripped or tripped
    if not voted and not state.tripped:
        return QUIET, False
    litres = state.litres + (0.0 if flow_m3_h is None else flow_m3_h * _L_PER_M3 * elapsed_ms / _MS_PER_HOUR)
    return replace(
        state, litres=litres, tripped=state.tripped or tripped, blind=state.blind or flow_m3_h is None
    ), False


def after_restart(state: ExposureState, shift_ms: int) -> ExposureState:
    """A count goes on; what passed while nobody counted is not known."""
    return replace(state, since_ms=state.since_ms + shift_ms, blind=True) if state.counting else QUIET


def passed_litres(state: ExposureState, held_back_l: float) -> float:
    """Litres that may have passed the output."""
    return round(max(0.0, state.litres - held_back_l), 1)
