"""What the alarms together look like: a flood, one that chatters, one that has stood for too long.

Counts annunciations in windows that end now, ``(now - window, now]``, never in
buckets of the clock; returns, acknowledgements and hidden changes do not
count. Decides nothing about any single alarm. Figures after ISA-18.2 as quoted
in trade articles and from memory; a site may set its own.
"""

from collections.abc import Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass, field, replace

from gateway.core.alarm import AlarmState
from gateway.core.outcome import Event, EventKind


@dataclass(frozen=True, slots=True, kw_only=True)
class FigureRules:
    """When to tell.

    Args:
        flood_window_ms: window of the flood.
        flood_above: more annunciations than this begin one; None tells of none.
        flood_below: fewer than this end it.
        chatter_window_ms: window of one alarm's chattering.
        chatter_count: so many annunciations of it are chattering; None tells of none.
        stale_after_ms: active and visible for so long; None tells of none.
    """

    flood_window_ms: int = 600_000
    flood_above: int | None = None
    flood_below: int = 0
    chatter_window_ms: int = 60_000
    chatter_count: int | None = None
    stale_after_ms: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Annunciations:
    """What is remembered of one alarm: its newest annunciations, and what has been told of them."""

    times_ms: tuple[int, ...] = ()
    chattering: bool = False
    stale_told: int = 0  # occurrence


@dataclass(frozen=True, slots=True, kw_only=True)
class FigureState:
    """What is remembered between scans. Times are monotonic."""

    times_ms: tuple[int, ...] = ()
    flood: bool = False
    alarms: Mapping[str, Annunciations] = field(default_factory=dict)


QUIET = Annunciations()
NO_RULES = FigureRules()
NO_FIGURES = FigureState()


def step(
    rules: FigureRules, state: FigureState, said: Iterable[Event], alarms: Mapping[str, AlarmState], now_ms: int
) -> tuple[FigureState, list[Event]]:
    """Count this scan's annunciations and tell what has become of the whole.

    Args:
        rules: when to tell.
        state: as the last scan left it.
        said: events of this scan.
        alarms: states of this scan.
        now_ms: this scan.
    """
    risen = [event.subject for event in said if event.kind is EventKind.ALARM]
    events: list[Event] = []
    each = dict(state.alarms)
    watched = dict.fromkeys((*risen, *_watched(rules, each)))  # in a certain order: a replay must tell the same
    if not (watched or state.times_ms or state.flood):
        return state, []  # as it mostly is
    for id_ in watched:
        before = each.get(id_, QUIET)
        each[id_], told = _one(rules, id_, before, alarms[id_], risen=risen.count(id_), now_ms=now_ms)
        events += told
    flood, told = _flood(rules, state, len(risen), now_ms)
    return replace(flood, alarms=each), [*events, *told]


def _watched(rules: FigureRules, each: Mapping[str, Annunciations]) -> Iterator[str]:
    """Alarms something can still be told of without a new annunciation."""
    for id_, one in each.items():
        if one.chattering or (rules.stale_after_ms is not None and one.times_ms):
            yield id_


def _one(
    rules: FigureRules, id_: str, before: Annunciations, alarm: AlarmState, *, risen: int, now_ms: int
) -> tuple[Annunciations, list[Event]]:
    times_ms = (*before.times_ms, *(now_ms,) * risen)[-max(1, rules.chatter_count or 1) :]
    recent = sum(time_ms > now_ms - rules.chatter_window_ms for time_ms in times_ms)
    chatters = rules.chatter_count is not None and recent >= rules.chatter_count
    events = []
    if chatters and not before.chattering:
        events.append(Event(kind=EventKind.CHATTER, subject=id_, occurrence=alarm.occurrence))
    stale = _stale(rules, times_ms, before, alarm, now_ms)
    if stale:
        events.append(Event(kind=EventKind.STALE, subject=id_, occurrence=alarm.occurrence))
    return Annunciations(
        times_ms=times_ms,
        chattering=chatters or (before.chattering and recent > 0),
        stale_told=alarm.occurrence if stale else before.stale_told,
    ), events


def _stale(
    rules: FigureRules, times_ms: tuple[int, ...], before: Annunciations, alarm: AlarmState, now_ms: int
) -> bool:
    visible = alarm.active and not alarm.hiding.hidden
    if rules.stale_after_ms is None or not visible or before.stale_told == alarm.occurrence:
        return False
    return now_ms - times_ms[-1] >= rules.stale_after_ms


def _flood(rules: FigureRules, state: FigureState, risen: int, now_ms: int) -> tuple[FigureState, list[Event]]:
    if rules.flood_above is None:
        return state, []
    kept = tuple(one for one in state.times_ms if one > now_ms - rules.flood_window_ms)
    times_ms = (*kept, *(now_ms,) * risen)
    if not state.flood and len(times_ms) > rules.flood_above:
        return FigureState(times_ms=times_ms, flood=True), [Event(kind=EventKind.FLOOD_BEGIN)]
    if state.flood and len(times_ms) < rules.flood_below:
        return FigureState(times_ms=times_ms), [Event(kind=EventKind.FLOOD_END)]
    return FigureState(times_ms=times_ms, flood=state.flood), []


def after_restart(state: FigureState, known: Collection[str], shift_ms: int) -> FigureState:
    """What is known of alarms that still exist survives; stamps are carried into the new run's monotonic time."""
    return FigureState(
        times_ms=tuple(one + shift_ms for one in state.times_ms),
        flood=state.flood,
        alarms={
            id_: replace(one, times_ms=tuple(time_ms + shift_ms for time_ms in one.times_ms))
            for id_, one in state.alarms.items()
            if id_ in known
        },
    )
