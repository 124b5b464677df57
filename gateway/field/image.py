"""What has arrived since the last scan, and the newest sample of every tag.

Pollers, the local socket and the actuation put; the scan takes everything at
once, in the order of arrival, and from then on that is what it decided on.
This file never looks into a reading and never drops a request or a read-back
to make room.
"""

from collections import deque
from dataclasses import dataclass

from gateway.core.output import Readback
from gateway.core.request import Request
from gateway.core.sample import Sample

Arrival = Sample | Request | Readback

_BOUND = 20_000  # two hundred tags polled every second while a scan is late by more than a minute and a half


@dataclass(frozen=True, slots=True, kw_only=True)
class Numbered:
    """A sample the scan has taken, with its number: gapless and growing within a store."""

    n: int
    sample: Sample


@dataclass(frozen=True, slots=True, kw_only=True)
class Placed:
    """A request or read-back the scan has taken, and the number of the last sample that arrived before it."""

    after_n: int
    given: Request | Readback


@dataclass(frozen=True, slots=True, kw_only=True)
class ImageStatistics:
    """How full the image is, and what did not fit since the start.

    Args:
        waiting: arrivals the next scan will take.
        replaced: samples that gave way to newer arrivals because the image was full.
        refused: arrivals that found no room, because only requests and read-backs were waiting.
    """

    waiting: int
    replaced: int
    refused: int


class InputImage:
    """The hand-over from everything that arrives to the scan.

    Full means that the scan is stuck or far behind. Then the oldest waiting
    sample of the same tag gives way, or else the oldest sample there is;
    requests and read-backs stay. When nothing but those is waiting, the new
    arrival is refused.

    Args:
        next_n: number of the first sample; one more than the store's last.
        bound: the most arrivals that wait.
    """

    def __init__(self, *, next_n: int = 1, bound: int = _BOUND) -> None:
        self._bound = bound
        self._next_n = next_n
        self._next_key = 0
        self._arrivals: dict[int, Arrival] = {}  # in order of arrival
        self._waiting: dict[str, deque[int]] = {}  # keys of waiting samples by tag, oldest first
        self._latest: dict[str, Numbered] = {}
        self._taken: tuple[Numbered, ...] = ()
        self._taken_others: tuple[Placed, ...] = ()
        self._replaced = 0
        self._refused = 0

    def put(self, arrival: Arrival) -> bool:
        """Hand something over to the next scan.

        Returns:
            False when it was refused; a person's request is then to be answered as not taken.
        """
        if len(self._arrivals) >= self._bound and not self._make_room(arrival):
            self._refused += 1
            return False
        self._arrivals[self._next_key] = arrival
        if isinstance(arrival, Sample):
            self._waiting.setdefault(arrival.tag, deque()).append(self._next_key)
        self._next_key += 1
        return True

    def take(self) -> tuple[Arrival, ...]:
        """Everything since the last call, in order of arrival; samples get their numbers now."""
        arrivals = tuple(self._arrivals.values())
        self._arrivals.clear()
        self._waiting.clear()
        taken, others = [], []
        for arrival in arrivals:
            if isinstance(arrival, Sample):
                taken.append(Numbered(n=self._next_n, sample=arrival))
                self._next_n += 1
            else:
                others.append(Placed(after_n=self._next_n - 1, given=arrival))
        self._taken, self._taken_others = tuple(taken), tuple(others)
        self._latest.update((numbered.sample.tag, numbered) for numbered in self._taken)
        return arrivals

    @property
    def taken(self) -> tuple[Numbered, ...]:
        """The samples of the last ``take`` with their numbers, for the record and the live feed."""
        return self._taken

    @property
    def taken_others(self) -> tuple[Placed, ...]:
        """The requests and read-backs of the last ``take`` with their places among the samples, for the record."""
        return self._taken_others

    def latest(self, tag: str) -> Numbered | None:
        """The newest sample of a tag that a scan has taken; None while there was none since the start."""
        return self._latest.get(tag)

    def statistics(self) -> ImageStatistics:
        """How full it is and what did not fit."""
        return ImageStatistics(waiting=len(self._arrivals), replaced=self._replaced, refused=self._refused)

    def _make_room(self, arrival: Arrival) -> bool:
        tag = arrival.tag if isinstance(arrival, Sample) and arrival.tag in self._waiting else self._longest_waiting()
        if tag is None:
            return False
        keys = self._waiting[tag]
        del self._arrivals[keys.popleft()]
        if not keys:
            del self._waiting[tag]
        self._replaced += 1
        return True

    def _longest_waiting(self) -> str | None:
        return min(self._waiting, key=lambda tag: self._waiting[tag][0], default=None)
