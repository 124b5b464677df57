"""What is wrong with the plant at an instant: the vocabulary of events and of tests. Pure.

A fault says what is broken, not what follows from it; the process, PC1 and the
instruments each look at the faults that concern them.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field


@dataclass(frozen=True, slots=True, kw_only=True)
class Faults:
    """Everything that is wrong; the default is a sound plant.

    Args:
        silent: devices that do not answer (AN1, AN2, RI1, PC1).
        held: analyzers whose hold bit is on and whose values stand (AN1, AN2).
        blocked: tags whose sample line is blocked: no sample flow, the reading freezes.
        stuck: valves and switches that stay as they are (XV-901, XV-955, FSL-510).
        forced: readings that show another value than the water has, by tag.
        loops: current loops that give other counts than their value, by tag (raw counts).
        soaked: filters struck by a media soak.
        mains_lost: no power but the UPS.
        feed_m3_h: feed set point held; None leaves it to PC1.
        residual_mg_l: total chlorine of the water at the AIT-801 tap; None leaves it to the dosing.
    """

    silent: frozenset[str] = frozenset()
    held: frozenset[str] = frozenset()
    blocked: frozenset[str] = frozenset()
    stuck: frozenset[str] = frozenset()
    forced: Mapping[str, float] = field(default_factory=dict)
    loops: Mapping[str, float] = field(default_factory=dict)
    soaked: frozenset[str] = frozenset()
    mains_lost: bool = False
    feed_m3_h: float | None = None
    residual_mg_l: float | None = None


SOUND = Faults()


def both(scripted: Faults, added: Faults) -> Faults:
    """Faults of an event and faults set by hand together; where they contradict each other, by hand wins."""
    return Faults(
        silent=scripted.silent | added.silent,
        held=scripted.held | added.held,
        blocked=scripted.blocked | added.blocked,
        stuck=scripted.stuck | added.stuck,
        forced={**scripted.forced, **added.forced},
        loops={**scripted.loops, **added.loops},
        soaked=scripted.soaked | added.soaked,
        mains_lost=scripted.mains_lost or added.mains_lost,
        feed_m3_h=scripted.feed_m3_h if added.feed_m3_h is None else added.feed_m3_h,
        residual_mg_l=scripted.residual_mg_l if added.residual_mg_l is None else added.residual_mg_l,
    )
