"""The three reasons to hide an alarm: shelved, suppressed by design, out of service.

A shelf is a person's and ends by itself; suppression follows logic and ends a
release delay after it; out of service ends when somebody ends it. They are
independent; an alarm is hidden while any of them stands.
"""

from dataclasses import dataclass, replace
from enum import Enum

from gateway.core.delay import due, running_since
from gateway.core.outcome import EventKind


class Logic(Enum):
    """What the suppression logic of an alarm says now."""

    NONE = "none"  # there is none; what an earlier configuration suppressed ends as with SHOW
    HIDE = "hide"
    SHOW = "show"  # also when its input is bad
    WAIT = "wait"  # its input is held or awaited: nothing changes


@dataclass(frozen=True, slots=True, kw_only=True)
class PutAside:
    """Who hid an alarm and why; what is done instead meanwhile where that is asked for."""

    person: str
    reason: str
    measure: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Hiding:
    """Reasons that hide one alarm; times are monotonic.

    Args:
        shelved_until_ms: end of the shelf, None when not shelved.
        suppressed: by design.
        logic_off_since_ms: since when a running release delay counts.
        out_of_service: taken away by maintenance.
        shelved: who shelved it and why.
        taken: who took it out of service, why, and the interim measure.
    """

    shelved_until_ms: int | None = None
    suppressed: bool = False
    logic_off_since_ms: int | None = None
    out_of_service: bool = False
    shelved: PutAside | None = None
    taken: PutAside | None = None

    @property
    def hidden(self) -> bool:
        """Whether any reason stands."""
        return self.suppressed or self.out_of_service or self.shelved_until_ms is not None


VISIBLE = Hiding()
"""Nothing hides it."""


def end_shelf(hiding: Hiding, _logic: Logic, now_ms: int, _release_delay_ms: int) -> tuple[Hiding, EventKind | None]:
    """Let a shelf end when its time is up."""
    if hiding.shelved_until_ms is None or now_ms < hiding.shelved_until_ms:
        return hiding, None
    return replace(hiding, shelved_until_ms=None, shelved=None), EventKind.UNSHELVE


def follow_logic(hiding: Hiding, logic: Logic, now_ms: int, release_delay_ms: int) -> tuple[Hiding, EventKind | None]:
    """Suppress, or end a suppression a release delay after its logic went false."""
    if logic is Logic.HIDE:
        if hiding.suppressed:
            return (hiding if hiding.logic_off_since_ms is None else replace(hiding, logic_off_since_ms=None)), None
        return replace(hiding, suppressed=True), EventKind.SUPPRESS
    if logic is Logic.WAIT or not hiding.suppressed:
        return hiding, None
    since_ms = running_since(hiding.logic_off_since_ms, now_ms)
    if due(since_ms, release_delay_ms, now_ms):
        return replace(hiding, suppressed=False, logic_off_since_ms=None), EventKind.UNSUPPRESS
    return replace(hiding, logic_off_since_ms=since_ms), None


@dataclass(frozen=True, slots=True, kw_only=True)
class ShelfLimits:
    """What an alarm's class allows: whether to shelve at all, and for how long at most."""

    allowed: bool
    longest_ms: int


def shelve(hiding: Hiding, limits: ShelfLimits, *, duration_ms: int, now_ms: int) -> tuple[Hiding, str]:
    """Shelve, or refuse with the reason; a request that is too long is refused, not shortened."""
    if not limits.allowed:
        return hiding, "not_allowed"
    if duration_ms <= 0:
        return hiding, "no_duration"
    if duration_ms > limits.longest_ms:
        return hiding, "too_long"
    if hiding.shelved_until_ms is not None:
        return hiding, "already_shelved"
    return replace(hiding, shelved_until_ms=now_ms + duration_ms), ""
