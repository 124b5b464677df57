"""Whom a site calls, after how long, for which priority. Pure.

The steps are those of a priority, in order; each names a role, not a person:
the rota says who that is at the moment. The last step is repeated until
somebody answers. Quiet hours let a priority wait until they are over; the most
urgent one has none.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field

MINUTES_OF_A_DAY = 1_440


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """One step of the ladder.

    Args:
        after_ms: since the incident began.
        role: who is called.
    """

    after_ms: int
    role: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Quiet:
    """Hours in which nobody is called.

    Args:
        from_minute: of the site's day.
        to_minute: of the site's day; smaller than ``from_minute`` when midnight lies between.
    """

    from_minute: int
    to_minute: int

    def over_in_ms(self, minute_of_day: float) -> int:
        """How long they still last; 0 outside of them."""
        length = (self.to_minute - self.from_minute) % MINUTES_OF_A_DAY
        into = (minute_of_day - self.from_minute) % MINUTES_OF_A_DAY
        return round((length - into) * 60_000) if into < length else 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Ladder:
    """How one priority is told.

    Args:
        steps: in order of time, at least one.
        repeat_ms: the last step is repeated so often until somebody answers.
        quiet: hours in which it waits.
    """

    steps: tuple[Step, ...]
    repeat_ms: int
    quiet: Quiet | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Policy:
    """How a site calls.

    Args:
        ladders: by priority; a priority without one calls nobody and stands in the digest.
        gathers_ms: effects of the same cause join the first message for so long.
        reminds_ms: so long after an answer, when nothing has changed.
        answers_worse_ms: so long the person who has it may take to answer that it got worse.
    """

    ladders: Mapping[str, Ladder] = field(default_factory=dict)
    gathers_ms: int = 60_000
    reminds_ms: int = 3_600_000
    answers_worse_ms: int = 600_000
