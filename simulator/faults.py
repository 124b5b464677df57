"""What is wrong with the plant at an instant: the vocabulary of events and of tests. Pure.

A fault says what is broken, not what follows from it; the process, PC1, the
instruments and the servers each look at the faults that concern them.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from typing import Any

from gateway.configuration.schema import ByteOrder


@dataclass(frozen=True, slots=True, kw_only=True)
class Faults:
    """Everything that is wrong; the default is a sound plant.

    Args:
        silent: devices that do not answer.
        lines: lines and connections that are dead, with everything behind them.
        slow: devices that answer so many seconds later than they should.
        byte_orders: devices replaced by one that sends numbers of several registers in another order.
        held: analyzers whose hold bit is on and whose values stand (AN1, AN2), or that clean themselves (AN3).
        calibrating: analyzers whose calibration bit is on (AN1, AN2).
        blocked: tags whose sample line is blocked: no sample flow, the reading freezes.
        stuck: valves and switches that stay as they are (XV-901, XV-955, FSL-510).
        forced: readings that show another value than the plant has, by tag.
        offsets: what an instrument shows too much (or, negative, too little), by tag.
        loops: registers that hold other counts than their value, by tag (raw counts).
        soaked: filters struck by a media soak.
        clogged: grinders that draw too much and lift too little (P-101A).
        gas_locked: the hypochlorite pump strokes and delivers nothing.
        manual: devices left in manual (DP1).
        mains_lost: no power but the UPS.
        link_lost: no data link to the office.
        network_ahead_s: how far the network's time is ahead of the true one.
        purity_percent: of the oxygen; None is what the concentrator makes.
        feed_m3_h: feed set point held; None leaves it to PC1.
        residual_mg_l: total chlorine of the water at the AIT-801 tap; None leaves it to the dosing.
    """

    silent: frozenset[str] = frozenset()
    lines: frozenset[str] = frozenset()
    slow: Mapping[str, float] = field(default_factory=dict)
    byte_orders: Mapping[str, ByteOrder] = field(default_factory=dict)
    held: frozenset[str] = frozenset()
    calibrating: frozenset[str] = frozenset()
    blocked: frozenset[str] = frozenset()
    stuck: frozenset[str] = frozenset()
    forced: Mapping[str, float] = field(default_factory=dict)
    offsets: Mapping[str, float] = field(default_factory=dict)
    loops: Mapping[str, float] = field(default_factory=dict)
    soaked: frozenset[str] = frozenset()
    clogged: frozenset[str] = frozenset()
    gas_locked: bool = False
    manual: frozenset[str] = frozenset()
    mains_lost: bool = False
    link_lost: bool = False
    network_ahead_s: float = 0.0
    purity_percent: float | None = None
    feed_m3_h: float | None = None
    residual_mg_l: float | None = None


SOUND = Faults()


def both(scripted: Faults, added: Faults) -> Faults:
    """Faults of an event and faults set by hand together; where they contradict each other, by hand wins."""
    if scripted is SOUND or added is SOUND:
        return added if scripted is SOUND else scripted
    together: dict[str, Any] = {
        one.name: _together(getattr(scripted, one.name), getattr(added, one.name)) for one in fields(Faults)
    }
    return Faults(**together)


def _together(scripted: Any, added: Any) -> Any:
    """Sets and mappings are united; of anything else the one that says something holds, the added one first."""
    if isinstance(added, frozenset):
        return scripted | added
    if isinstance(added, Mapping):
        return {**scripted, **added}
    return scripted if added is None or added is False or added == 0.0 else added
