"""Figures with a memory that knows no day: the age of water in plug flow, and windows that end now.

Decides which of them is meant and how far it can be relied on; the accounts
themselves are ``gateway.treatment.plug_flow`` and ``rolling_figures``.
"""

from dataclasses import dataclass, replace
from enum import Enum

from gateway.core import rolling_figures
from gateway.core.rolling_figures import RollingState
from gateway.treatment import plug_flow
from gateway.treatment.plug_flow import PlugFlow
from gateway.treatment.refusal import NotCovered

LONGEST_WINDOW_S = 31 * 86_400.0
SHORTEST_WINDOW_S = 60.0


class RunningFunction(Enum):
    """What is made of values as time goes on."""

    AGE = "plug_flow_time"  # of the water that now leaves, from volume and flow
    MEAN = "rolling_mean"  # weighted by time
    LARGEST = "rolling_max"
    SHARE = "rolling_share"  # of the usable time for which a condition holds


@dataclass(frozen=True, slots=True, kw_only=True)
class RunningState:
    """What is remembered of one figure; of the two accounts the one that it needs."""

    water: PlugFlow = plug_flow.UNKNOWN
    window: RollingState = rolling_figures.FRESH


FRESH = RunningState()


@dataclass(frozen=True, slots=True, kw_only=True)
class Figure:
    """A figure as it stands.

    Args:
        value: s for an age, else in the unit of the argument.
        whole: whether its memory reaches back as far as it should, over good values.
    """

    value: float
    whole: bool


def aged(
    state: RunningState,
    volume_m3: float | None,
    flow_m3_s: float | None,
    most_m3_s: float | None = None,
    *,
    elapsed_ms: int,
) -> tuple[RunningState, Figure | None]:
    """The age of the water that now leaves a tank, s; None while volume or flow is not known.

    Args:
        state: as the last scan left it.
        volume_m3: of the tank that takes part, now.
        flow_m3_s: through it, now.
        most_m3_s: the most that can flow, which counts while the flow is not known: the water can only be older then.
            Without it the account begins anew there.
        elapsed_ms: since the last scan.
    """
    counted_m3_s = most_m3_s if flow_m3_s is None else flow_m3_s
    if volume_m3 is None or counted_m3_s is None:
        return FRESH, None
    try:
        water = plug_flow.advance(state.water, counted_m3_s, elapsed_ms=elapsed_ms, volume_m3=volume_m3)
        found = plug_flow.age(water, volume_m3=volume_m3)
    except NotCovered:
        return FRESH, None
    whole = found.whole and flow_m3_s is not None
    return replace(state, water=water), Figure(value=found.lasting_s, whole=whole)


def rolled(
    kind: RunningFunction,
    state: RunningState,
    value: float | None,
    *,
    clipped: bool,
    elapsed_ms: int,
    window_ms: int,
) -> tuple[RunningState, Figure | None]:
    """A figure of the window that ends now; None while nothing is known.

    Args:
        kind: which.
        state: as the last scan left it.
        value: now, of a condition 1 or 0; None when there is none that may be used.
        clipped: whether it stands at the end of an instrument's span.
        elapsed_ms: since the last scan.
        window_ms: length of the window.
    """
    window = rolling_figures.advance(state.window, value, clipped=clipped, elapsed_ms=elapsed_ms, window_ms=window_ms)
    of = rolling_figures.largest if kind is RunningFunction.LARGEST else rolling_figures.mean
    figure = of(window)
    if figure is None:
        return replace(state, window=window), None
    whole = window.clock_ms >= window_ms and not rolling_figures.clipped(window)
    return replace(state, window=window), Figure(value=figure, whole=whole)


def after_restart(state: RunningState, away_ms: int) -> RunningState:
    """The state when the engine runs again: what flowed meanwhile nobody knows, and the windows have moved on."""
    return RunningState(window=rolling_figures.after_restart(state.window, away_ms))
