"""The scripted events of scenario section 8, and a calm day. Pure.

An event run alone starts sixty minutes before it strikes, with the start
values of the scenario. It is a function of the time since it struck (negative
before) to what is then wrong, so that ramps and drifts are written the same
way as a broken valve.
"""

from collections.abc import Callable
from dataclasses import dataclass

from simulator.almanac import HOUR_MS, local_ms
from simulator.faults import SOUND, Faults

LEAD_MS = HOUR_MS


@dataclass(frozen=True, slots=True, kw_only=True)
class Event:
    """One script.

    Args:
        name: E01 and so on; a letter behind it is a variant.
        says: what happens, in a sentence.
        strikes_ms: local plant time.
        feed_m3_h: feed at the start; None takes the set point of the start level.
        faults: what is wrong at so many seconds after it struck.
    """

    name: str
    says: str
    strikes_ms: int
    feed_m3_h: float | None = None
    faults: Callable[[float], Faults]

    @property
    def starts_ms(self) -> int:
        """Local plant time at which a run of this event alone begins."""
        return self.strikes_ms - LEAD_MS


def _calm(_since_s: float) -> Faults:
    return SOUND


def _soaked_media(since_s: float) -> Faults:
    struck = frozenset({"F-501"}) if since_s >= 0 else frozenset[str]()
    return Faults(feed_m3_h=0.90, soaked=struck)


def _blocked_line(since_s: float) -> Faults:
    return Faults(blocked=frozenset({"AIT-510"}), forced={"AIT-510": 0.71}) if since_s >= 0 else SOUND


def _blocked_line_switch_stuck(since_s: float) -> Faults:
    blocked = _blocked_line(since_s)
    return Faults(blocked=blocked.blocked, forced=blocked.forced, stuck=frozenset({"FSL-510"}))


def _weak_and_stuck(since_s: float) -> Faults:
    """The tag is forced: water and reading step together, without line and response time."""
    if since_s < 0:
        return SOUND
    return Faults(stuck=frozenset({"XV-901"}), forced={"AIT-801": 1.2}, residual_mg_l=1.2)


def _shown_weak_and_stuck(since_s: float) -> Faults:
    return Faults(stuck=frozenset({"XV-901"}), forced={"AIT-801": 1.2}) if since_s >= 0 else SOUND


def _really_weak_and_stuck(since_s: float) -> Faults:
    return Faults(stuck=frozenset({"XV-901"}), residual_mg_l=1.2) if since_s >= 0 else SOUND


EVENTS = {
    one.name: one
    for one in (
        Event(
            name="calm",
            says="nothing goes wrong",
            strikes_ms=local_ms("2025-02-26 10:00"),
            faults=_calm,
        ),
        Event(
            name="E01",
            says="media of F-501 soaked, its waste valve does not open: cloudy water joins at once",
            strikes_ms=local_ms("2025-02-26 10:00"),
            feed_m3_h=0.90,
            faults=_soaked_media,
        ),
        Event(
            name="E03",
            says="sample line of AIT-510 blocks: no sample flow, the value freezes",
            strikes_ms=local_ms("2025-02-20 02:10"),
            faults=_blocked_line,
        ),
        Event(
            name="E03b",
            says="sample line of AIT-510 blocks and the flow switch sticks on",
            strikes_ms=local_ms("2025-02-20 02:10"),
            faults=_blocked_line_switch_stuck,
        ),
        Event(
            name="E13",
            says="residual at the AIT-801 tap falls to 1.2 mg/L and XV-901 sticks at product",
            strikes_ms=local_ms("2025-02-11 04:20"),
            faults=_weak_and_stuck,
        ),
        Event(
            name="E13b",
            says="AIT-801 shows 1.2 mg/L though the water is good, and XV-901 sticks at product",
            strikes_ms=local_ms("2025-02-11 04:20"),
            faults=_shown_weak_and_stuck,
        ),
        Event(
            name="E13c",
            says="residual really falls to 1.2 mg/L, seen through the sample line, and XV-901 sticks at product",
            strikes_ms=local_ms("2025-02-11 04:20"),
            faults=_really_weak_and_stuck,
        ),
    )
}
