"""PC1, the process controller: valves, pumps and what it does by itself (scenario sections 6 and 7). Pure.

Decides XV-901, XV-955, P-201 and P-951 from the four registers the gateway
writes, from mains, and from whether the gateway's heartbeat still moves. Ozone
in the room air switches the ozone skid off until somebody resets it (I-14), a
sump that stands high switches the lag pump on (I-15). It judges no water: the
reasons to divert are the gateway's.
"""

from dataclasses import dataclass

from simulator.almanac import SECOND_MS, local_time
from simulator.wide_records import renewed

PERMITTED, STOP, RESUME = 42405, 13107, 42405
GW_HB, GW_PERMIT, GW_FEED, GW_DELIV = 320, 321, 322, 323
FIRST_WRITABLE, WRITABLE = GW_HB, 4

CAUSE_PERMISSION, CAUSE_HEARTBEAT, CAUSE_MAINS = 1 << 0, 1 << 1, 1 << 2
CAUSE_OZONE_ROOM, CAUSE_SUMP, CAUSE_STOP = 1 << 3, 1 << 4, 1 << 7
OFF, STARTING, PRODUCE, DIVERT, LOCKED, MAINTENANCE = range(6)

HEARTBEAT_LOST_MS = 15_000
HEARTBEAT_GOOD_MS = 60_000
MAINS_LOST_MS = 2_000
START_MS = 5_000
PUMP_STOP_MS = 1_000
XV_901, XV_955 = "XV-901", "XV-955"
XV_901_STROKE_MS = 12_000
XV_955_STROKE_MS = 15_000
STROKES_MS = {XV_901: XV_901_STROKE_MS, XV_955: XV_955_STROKE_MS}
FALLBACK_FEED_M3_H = 1.0
OZONE_PPM, OZONE_MS = 0.1, 300_000
OZONE_HIGH_PPM, OZONE_HIGH_MS = 0.3, 30_000
SUMP_HIGH_M, SUMP_HIGH_MS, SUMP_BACK_M = 1.50, 30_000, 1.20
HEARTBEAT_ROLLS = 0x10000


class NotWritable(Exception):  # noqa: N818 - named for what is the case
    """An address outside 320 to 323: PC1 answers exception 02."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Inputs:
    """What is wired to PC1, and what happens to its valves.

    Args:
        mains: power; without it pumps stand, and after 2 s the solenoids drop.
        feed_m3_h: the feed set point by the buffer's level; ``buffer_seen`` is False when LIT-151 is lost.
        held_feed_m3_h: set point held by an event; None leaves it to the level.
        ozone_ppm: AIT-609, ozone in the room air.
        sump_m: LIT-101; sump_float: the high float has lifted.
        stuck: valves that do not move whatever their solenoid says.
        filter_modes: of F-501 and F-502, shown on.
    """

    mains: bool = True
    feed_m3_h: float = FALLBACK_FEED_M3_H
    buffer_seen: bool = True
    held_feed_m3_h: float | None = None
    ozone_ppm: float = 0.0
    sump_m: float = 0.0
    sump_float: bool = False
    stuck: frozenset[str] = frozenset()
    filter_modes: tuple[int, int] = (0, 0)


@dataclass(frozen=True, kw_only=True)
class Controller:
    """PC1 and the valves it moves.

    Args:
        started_ms: plant time of its start; now_ms: of the last step.
        registers: 320 to 323 as last written; all zero after a start.
        beat_ms: when GW-HB last changed; good_since_ms: since when it has been changing without a gap.
        heartbeat_lost: not heard yet, or not for 15 s, and not good for 60 s since.
        feed_stopped, supply_stopped: latched by the stop code; kept through a restart of PC1.
        mains_lost_ms: since when the mains are gone; None while present.
        product_solenoid, supply_solenoid: XV-901 and XV-955 commands.
        product_travel_ms: how far XV-901 has come from divert, in milliseconds of its stroke.
        supply_travel_ms: likewise XV-955 from closed.
        feed_runs, pump_runs: P-201 and P-951; feed_stop_ms: since when P-201 shall stand, None while it runs.
        setpoint_m3_h: FSP-201.
        ozone_since_ms, ozone_high_since_ms: since when there has been ozone in the room air, and much of it.
        ozone_off: latched by that (I-14); kept through a restart.
        sump_since_ms: since when the sump has stood high; sump_high: for long enough, until it is down again (I-15).
    """

    started_ms: int
    now_ms: int
    registers: tuple[int, int, int, int] = (0, 0, 0, 0)
    beat_ms: int
    good_since_ms: int | None = None
    heartbeat_lost: bool = True
    feed_stopped: bool = False
    supply_stopped: bool = False
    mains_lost_ms: int | None = None
    product_solenoid: bool = False
    supply_solenoid: bool = True
    product_travel_ms: int = 0
    supply_travel_ms: int = XV_955_STROKE_MS
    feed_runs: bool = True
    feed_stop_ms: int | None = None
    pump_runs: bool = True
    setpoint_m3_h: float = FALLBACK_FEED_M3_H
    filter_modes: tuple[int, int] = (0, 0)
    ozone_since_ms: int | None = None
    ozone_high_since_ms: int | None = None
    ozone_off: bool = False
    sump_since_ms: int | None = None
    sump_high: bool = False

    @property
    def permitted(self) -> bool:
        """GW-PERMIT reads 42405."""
        return self.registers[1] == PERMITTED

    @property
    def mains_dropped(self) -> bool:
        """The mains have been gone for more than 2 s (I-10a)."""
        return self.mains_lost_ms is not None and self.now_ms - self.mains_lost_ms > MAINS_LOST_MS

    @property
    def product_position(self) -> float:
        """XV-901: 1 at product, 0 at divert."""
        return self.product_travel_ms / XV_901_STROKE_MS

    @property
    def supply_position(self) -> float:
        """XV-955: 1 open, 0 closed."""
        return self.supply_travel_ms / XV_955_STROKE_MS

    @property
    def proven_product(self) -> bool:
        """Limit switch ZSO-901."""
        return self.product_travel_ms >= XV_901_STROKE_MS

    @property
    def proven_divert(self) -> bool:
        """Limit switch ZSC-901."""
        return self.product_travel_ms <= 0

    @property
    def supply_proven_closed(self) -> bool:
        """Limit switch ZSC-955."""
        return self.supply_travel_ms <= 0

    @property
    def cause(self) -> int:
        """PC1-CAUSE."""
        return (
            CAUSE_PERMISSION * (not self.permitted)
            | CAUSE_HEARTBEAT * self.heartbeat_lost
            | CAUSE_MAINS * self.mains_dropped
            | CAUSE_OZONE_ROOM * self.ozone_off
            | CAUSE_SUMP * self.sump_high
            | CAUSE_STOP * (self.feed_stopped or self.supply_stopped)
        )

    @property
    def shown_state(self) -> int:
        """PC1-STATE."""
        if self.now_ms - self.started_ms < START_MS:
            return STARTING
        if self.feed_stopped or self.supply_stopped:
            return LOCKED
        return PRODUCE if self.product_solenoid else DIVERT


def started(at_ms: int) -> Controller:
    """PC1 at its start: nothing heard of the gateway, valves sprung, feed and toilets by itself."""
    return Controller(started_ms=at_ms, now_ms=at_ms, beat_ms=at_ms)


def restarted(before: Controller, at_ms: int) -> Controller:
    """PC1 after a restart: registers zero, solenoids as at a start; stop latches and positions stay as they are."""
    return renewed(
        started(at_ms),
        feed_stopped=before.feed_stopped,
        supply_stopped=before.supply_stopped,
        supply_solenoid=not before.supply_stopped,
        product_travel_ms=before.product_travel_ms,
        supply_travel_ms=before.supply_travel_ms,
        feed_runs=not before.feed_stopped,
        feed_stop_ms=at_ms if before.feed_stopped else None,
        setpoint_m3_h=before.setpoint_m3_h,
        ozone_off=before.ozone_off,
    )


def reset(before: Controller) -> Controller:
    """Somebody presses the reset button on PC1: the ozone skid may run again."""
    return renewed(before, ozone_off=False)


def written(before: Controller, *, address: int, values: tuple[int, ...], at_ms: int) -> Controller:
    """PC1 after a function-16 request.

    Args:
        before: as it is.
        address: zero-based.
        values: registers from there on.
        at_ms: plant time of the request.

    Raises:
        NotWritable: not wholly within 320 to 323.
    """
    first = address - FIRST_WRITABLE
    if first < 0 or not values or first + len(values) > WRITABLE:
        raise NotWritable(f"registers {address} to {address + len(values) - 1} are not writable; 320 to 323 are")
    now = list(before.registers)
    now[first : first + len(values)] = values
    heard = _heard(before, at_ms) if now[0] != before.registers[0] else before
    return _latched(renewed(heard, registers=(now[0], now[1], now[2], now[3])))


def _heard(before: Controller, at_ms: int) -> Controller:
    """The heartbeat moved; after a gap the count of good time starts again."""
    gap = at_ms - before.beat_ms > HEARTBEAT_LOST_MS or before.good_since_ms is None
    return renewed(before, beat_ms=at_ms, good_since_ms=at_ms if gap else before.good_since_ms)


def _latched(after: Controller) -> Controller:
    """Judged at a write only: the stop code latches; 42405 lets go, but not without a live heartbeat."""
    _, _, feed, supply = after.registers
    live = not after.heartbeat_lost
    return renewed(
        after,
        feed_stopped=feed == STOP or (after.feed_stopped and not (feed == RESUME and live)),
        supply_stopped=supply == STOP or (after.supply_stopped and not (supply == RESUME and live)),
    )


def step(before: Controller, inputs: Inputs, *, at_ms: int) -> Controller:
    """PC1 and its valves at a later time.

    Args:
        before: as it was at ``before.now_ms``.
        inputs: what held in between.
        at_ms: plant time now; half a second later at most, so that strokes come out right.
    """
    dt_ms = at_ms - before.now_ms
    moved = renewed(
        before,
        now_ms=at_ms,
        product_travel_ms=_travel(
            before.product_travel_ms, dt_ms if before.product_solenoid else -dt_ms, XV_901, inputs
        ),
        supply_travel_ms=_travel(before.supply_travel_ms, dt_ms if before.supply_solenoid else -dt_ms, XV_955, inputs),
        mains_lost_ms=_since(before.mains_lost_ms, not inputs.mains, at_ms),
        filter_modes=inputs.filter_modes,
        setpoint_m3_h=_setpoint(inputs),
        ozone_since_ms=_since(before.ozone_since_ms, inputs.ozone_ppm > OZONE_PPM, at_ms),
        ozone_high_since_ms=_since(before.ozone_high_since_ms, inputs.ozone_ppm > OZONE_HIGH_PPM, at_ms),
        sump_since_ms=_since(before.sump_since_ms, inputs.sump_m > SUMP_HIGH_M, at_ms),
    )
    return _commanded(_guarded(_watched(moved), inputs), inputs)


def _travel(before_ms: int, by_ms: int, valve: str, inputs: Inputs) -> int:
    """How far a valve has come; it stays within its stroke, and where it is when stuck."""
    return before_ms if valve in inputs.stuck else min(STROKES_MS[valve], max(0, before_ms + by_ms))


def _since(before_ms: int | None, holds: bool, at_ms: int) -> int | None:  # noqa: FBT001 - the condition itself
    if not holds:
        return None
    return at_ms if before_ms is None else before_ms


def _setpoint(inputs: Inputs) -> float:
    if inputs.held_feed_m3_h is not None:
        return inputs.held_feed_m3_h
    return inputs.feed_m3_h if inputs.buffer_seen else FALLBACK_FEED_M3_H


def _watched(now: Controller) -> Controller:
    """I-11: lost after 15 s without a change, good again after 60 s of changes without a gap."""
    if now.now_ms - now.beat_ms >= HEARTBEAT_LOST_MS:
        return renewed(now, heartbeat_lost=True, good_since_ms=None)
    good = now.good_since_ms is not None and now.now_ms - now.good_since_ms >= HEARTBEAT_GOOD_MS
    return renewed(now, heartbeat_lost=False) if now.heartbeat_lost and good else now


def _guarded(now: Controller, inputs: Inputs) -> Controller:
    """I-14 and I-15: the ozone skid off and latched, the lag pump on until the sump is down."""
    ozone = _lasted(now.ozone_since_ms, OZONE_MS, now.now_ms) or _lasted(
        now.ozone_high_since_ms, OZONE_HIGH_MS, now.now_ms
    )
    high = inputs.sump_float or _lasted(now.sump_since_ms, SUMP_HIGH_MS, now.now_ms)
    return renewed(
        now,
        ozone_off=now.ozone_off or ozone,
        sump_high=high or (now.sump_high and inputs.sump_m > SUMP_BACK_M),
    )


def _lasted(since_ms: int | None, for_ms: int, now_ms: int) -> bool:
    return since_ms is not None and now_ms - since_ms >= for_ms


def _commanded(now: Controller, inputs: Inputs) -> Controller:
    """Solenoids and pumps from what has been decided."""
    feed_stop_ms = _since(now.feed_stop_ms, now.feed_stopped, now.now_ms)
    coasting = feed_stop_ms is not None and now.now_ms - feed_stop_ms < PUMP_STOP_MS
    supply_solenoid = not now.supply_stopped and not now.mains_dropped
    return renewed(
        now,
        product_solenoid=now.permitted and not now.heartbeat_lost and not now.mains_dropped,
        supply_solenoid=supply_solenoid,
        pump_runs=supply_solenoid and inputs.mains,
        feed_stop_ms=feed_stop_ms,
        feed_runs=inputs.mains and (feed_stop_ms is None or coasting),
    )


def clock_digits(at_ms: int) -> int:
    """PC1-CLK: local time as the twelve digits YYMMDDhhmmss."""
    return int(local_time(at_ms).strftime("%y%m%d%H%M%S"))


def heartbeat(now: Controller) -> int:
    """PC1-HB: one a second since its start, rolling over."""
    return (now.now_ms - now.started_ms) // SECOND_MS % HEARTBEAT_ROLLS
