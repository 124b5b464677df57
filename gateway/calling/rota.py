"""Who is on duty when, and where nobody is. Pure.

A rota is a list of shifts in UTC, made of the site's weekly plan and of the
exceptions to it. A gap is time for which a role that must be filled has
nobody; it is found as long before as the rota is looked ahead.
"""

from collections.abc import Sequence
from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Shift:
    """One person on duty in one role.

    Args:
        role: the role.
        person: who.
        from_utc_ms: first moment.
        to_utc_ms: the moment after the last.
        instead: whether it replaces whoever else has that time (leave, a swap), or stands beside.
    """

    role: str
    person: str
    from_utc_ms: int
    to_utc_ms: int
    instead: bool = False

    def covers(self, utc_ms: int) -> bool:
        """Whether the shift is on at a moment."""
        return self.from_utc_ms <= utc_ms < self.to_utc_ms


@dataclass(frozen=True, slots=True, kw_only=True)
class Gap:
    """Nobody is on duty in a role."""

    role: str
    from_utc_ms: int
    to_utc_ms: int


def on_duty(shifts: Sequence[Shift], role: str, utc_ms: int) -> tuple[str, ...]:
    """People on duty in a role, in the order of the rota; empty when nobody is."""
    covering = [shift for shift in shifts if shift.role == role and shift.covers(utc_ms)]
    replacing = [shift for shift in covering if shift.instead]
    return tuple(dict.fromkeys(shift.person for shift in replacing or covering))


def gaps(shifts: Sequence[Shift], roles: Sequence[str], *, from_utc_ms: int, to_utc_ms: int) -> list[Gap]:
    """Where a role has nobody within a time, in the order of time.

    Args:
        shifts: the rota.
        roles: roles that must always be filled.
        from_utc_ms: first moment looked at.
        to_utc_ms: the moment after the last.
    """
    found = [gap for role in roles for gap in _gaps_of(shifts, role, from_utc_ms, to_utc_ms)]
    return sorted(found, key=lambda gap: (gap.from_utc_ms, gap.role))


def _gaps_of(shifts: Sequence[Shift], role: str, from_utc_ms: int, to_utc_ms: int) -> list[Gap]:
    own = sorted((shift for shift in shifts if shift.role == role), key=lambda shift: shift.from_utc_ms)
    found, covered_ms = [], from_utc_ms
    for shift in own:
        if shift.from_utc_ms > covered_ms and covered_ms < to_utc_ms:
            found.append(Gap(role=role, from_utc_ms=covered_ms, to_utc_ms=min(shift.from_utc_ms, to_utc_ms)))
        covered_ms = max(covered_ms, shift.to_utc_ms)
    if covered_ms < to_utc_ms:
        found.append(Gap(role=role, from_utc_ms=covered_ms, to_utc_ms=to_utc_ms))
    return found
