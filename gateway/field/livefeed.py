"""What clients of the local socket may still have to hear. Pure: decides what comes next for whom, sends nothing.

Two things are kept for all clients together: the newest value of each tag,
and a ring of the newest events, already framed. A client is only a place in
them. So a client that reads slowly gets fewer values (always the newest) and
all events, costs nothing, and holds nobody up; when the ring has gone past its
place it has fallen behind and must catch up from the history.
"""

from collections.abc import Iterable
from dataclasses import dataclass

from gateway.local.frames import encode
from gateway.local.messages import JournalEntry, LiveEvent, TagValue, Values

RING_EVENTS = 10_000
_BUNDLE_BYTES = 16_384


class FellBehind(Exception):  # noqa: N818 - named for what is the case
    """The ring of events no longer holds the next event of this place."""


@dataclass(slots=True)
class Place:
    """How far one client has been served; only the feed moves it.

    Args:
        publication: number of the last publication of values it has heard.
        event: count of the next event for it.
    """

    publication: int
    event: int


class LiveFeed:
    """Newest values and newest events.

    Args:
        ring_events: how many events are kept for slow clients.
    """

    def __init__(self, ring_events: int = RING_EVENTS) -> None:
        self._ring: list[bytes] = [b""] * ring_events
        self._events = 0  # count of all events ever taken
        self._newest: dict[str, tuple[int, TagValue]] = {}  # with the publication that brought it
        self._publications = 0
        self._scan = 0
        self._utc_ms = 0

    def take_values(self, values: Values) -> None:
        """What changed in a scan. May be empty: that the scan went on is news too."""
        self._publications += 1
        self._scan, self._utc_ms = values.scan, values.utc_ms
        for value in values.values:
            self._newest[value.tag] = (self._publications, value)

    def take_event(self, entry: JournalEntry) -> None:
        """One event that is not committed yet.

        Raises:
            FrameTooLarge: the entry does not fit into a frame; it is not taken.
        """
        self._ring[self._events % len(self._ring)] = encode(LiveEvent(entry=entry))
        self._events += 1

    def place(self) -> Place:
        """Where a new client begins: all values once, and events from now on."""
        return Place(publication=0, event=self._events)

    def next_frames(self, place: Place) -> bytes:
        """The next few frames for a place, events before values; empty when it has heard everything.

        Raises:
            FellBehind: see there.
        """
        return self._next_events(place) or self._next_values(place)

    def _next_events(self, place: Place) -> bytes:
        behind = self._events - place.event
        if behind > len(self._ring):
            raise FellBehind(f"{behind} events not read, {len(self._ring)} are kept; read on from the history")
        bundle = bytearray()
        while place.event < self._events and len(bundle) < _BUNDLE_BYTES:
            bundle += self._ring[place.event % len(self._ring)]
            place.event += 1
        return bytes(bundle)

    def _next_values(self, place: Place) -> bytes:
        if place.publication == self._publications:
            return b""
        changed = tuple(self._changed_after(place.publication))
        place.publication = self._publications
        return encode(Values(scan=self._scan, utc_ms=self._utc_ms, values=changed))

    def _changed_after(self, publication: int) -> Iterable[TagValue]:
        return (value for number, value in self._newest.values() if number > publication)
