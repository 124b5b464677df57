"""What has arrived since the last scan, and the newest sample of every tag.

Pollers, the local socket and the actuation put; the scan takes everything at
once, in the order of arrival, and from then on that is what it decided on.
This file never looks into a reading and never drops a request or a read-back
to make room.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import NamedTuple

from gateway.core.output import Readback
from gateway.core.request import Request
from gateway.core.sample import Sample

Arrival = Sample | Request | Readback

_BOUND = 20_000  # two hundred tags polled every second while a scan is late by more than a minute and a half


class Numbered(NamedTuple):
    """A sample the scan has taken, with its number: gapless and growing within a store.

    A tuple, since one is made for every reading of the plant.
    """

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
        self._next_key += 1
        return True

    def take(self) -> tuple[Arrival, ...]:
        """Everything since the last call, in order of arrival; samples get their numbers now."""
        arrivals = tuple(self._arrivals.values())
        self._arrivals.clear()
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
        """By the oldest sample of the same tag, or else the oldest of all; looked for one by one, as it is rare."""
        same = (key for key, tag in self._waiting() if isinstance(arrival, Sample) and tag == arrival.tag)
        key = next(same, None)
        if key is None:
            key = next((key for key, _ in self._waiting()), None)
        if key is None:
            return False
        del self._arrivals[key]
        self._replaced += 1
        return True

    def _waiting(self) -> Iterator[tuple[int, str]]:
        """Key and tag of every waiting sample, oldest first."""
        return ((key, one.tag) for key, one in self._arrivals.items() if isinstance(one, Sample))
