"""Whatever the wall clock does, the decisions are the same at the same moments; a jump is journaled, never mended."""

from collections.abc import Callable
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import pytest

from gateway.configuration.local_days import offsets_of
from gateway.core.days import day_at
from gateway.core.outcome import EventKind, Outcome
from gateway.core.quality import Reason
from gateway.core.request import Action
from gateway.core.sample import Sample
from gateway.core.scan import Arrival
from gateway.core.tick import Tick
from tests.core.plants import UTC_MS, Bench

HOUR_MS = 3_600_000
YEAR_MS = 365 * 86_400_000
Wall = Callable[[int], int]


class Story(Bench):
    """A bench on another wall clock.

    Args:
        wall: seconds since the start to milliseconds by which it is ahead of the right time.
        stamp: what a device makes of the time.
    """

    def __init__(self, wall: Wall, stamp: Wall = lambda utc_ms: utc_ms) -> None:
        self.wall, self.stamp = wall, stamp
        self.told: list[tuple[int, str, str, str]] = []
        super().__init__()

    def tick(self) -> Tick:
        passed_s = (self.monotonic_ms - 1_000_000) // 1_000
        utc_ms = UTC_MS + 1_000 * passed_s + self.wall(passed_s)
        return Tick(monotonic_ms=self.monotonic_ms, utc_ms=utc_ms)

    def samples(self) -> list[Sample]:
        """Stamped by the machine's clock, as readings of devices without a clock are, or as a test wants."""
        now = self.tick()
        return [
            Sample(tag=tag, reading=reading, arrived=now, source_utc_ms=self.stamp(now.utc_ms))
            for tag, reading in self.reads.items()
            if tag not in self.silent
        ]

    def play(self) -> list[tuple[int, str, str, str]]:
        """Delivering, cloudy water, alarm and trip; a silent analyzer; a shelf and a bypass that end; what was said."""
        self.deliver()
        self.read(TURB=11.0)
        self.run(20)
        self.read(TURB=0.5, CHLORINE=Reason.NO_ANSWER)
        assert self.ask(Action.SHELVE, "CHLORINE-LOW", duration_ms=30_000).granted
        self.run(60)
        self.silent = {"LEVEL-A"}
        self.run(120)
        return self.told

    def scan(self, *arrivals: Arrival, after_ms: int = 1_000, polled: bool = True) -> Outcome:
        outcome = super().scan(*arrivals, after_ms=after_ms, polled=polled)
        self.told += [
            (self.monotonic_ms, one.kind.value, one.subject, one.reason)
            for one in outcome.events
            if one.kind is not EventKind.CLOCK_STEP
        ]
        return outcome


def right(_: int) -> int:
    return 0


WALLS: dict[str, tuple[Wall, list[float] | None]] = {
    "an hour ahead at once": (lambda s: HOUR_MS if s >= 80 else 0, [3_600.0]),
    "an hour back at once": (lambda s: -HOUR_MS if s >= 80 else 0, [-3_600.0]),
    "an hour ahead and back": (lambda s: HOUR_MS if 80 <= s < 120 else 0, [3_600.0, -3_600.0]),
    "another year and back": (lambda s: 5 * YEAR_MS if 80 <= s < 120 else 0, [5 * 31_536_000.0, -5 * 31_536_000.0]),
    "1970, then set": (lambda s: 0 if s >= 90 else -UTC_MS, [UTC_MS / 1_000]),
    "1970 and never set": (lambda _: -UTC_MS, []),
    "stands still for a while": (lambda s: -1_000 * min(max(0, s - 80), 40), [-1.0] * 40),
    "0.5 s a minute fast": (lambda s: 500 * s // 60, []),
    "0.5 s a minute slow": (lambda s: -500 * s // 60, []),
    "every second another hour": (lambda s: HOUR_MS * (s % 2), None),
}


@pytest.mark.parametrize("what", WALLS)
def test_decisions_go_by_the_running_clock_alone(what: str) -> None:
    assert Story(WALLS[what][0]).play() == Story(right).play()


@pytest.mark.parametrize("what", [what for what, (_, jumps) in WALLS.items() if jumps is not None])
def test_every_jump_is_journaled_with_its_size_and_nothing_else_is(what: str) -> None:
    wall, jumps = WALLS[what]
    story = Story(wall)
    story.play()
    assert [event.facts["by_s"] for event in story.found(EventKind.CLOCK_STEP)] == jumps


def test_the_story_has_what_the_wall_clock_could_have_spoilt() -> None:
    kinds = {kind for _, kind, _, _ in Story(right).play()}
    assert {"alarm", "trip", "unshelved", "return_to_normal", "cause_cleared"} <= kinds


STAMPS: dict[str, tuple[Wall, str]] = {
    "as they should be": (lambda at_ms: at_ms, "I-TURB"),
    "out of order": (lambda at_ms: at_ms - (at_ms // 1_000 % 3) * 700, "I-TURB"),
    "of an hour to come": (lambda at_ms: at_ms + HOUR_MS, "I-TURB"),  # no device knows: judged by its arrival
    "the same again and again": (lambda _: UTC_MS, "I-TURB-BAD"),
    "of an hour ago": (lambda at_ms: at_ms - HOUR_MS, "I-TURB-BAD"),
    "of 1970": (lambda at_ms: at_ms - UTC_MS, "I-TURB-BAD"),
}


@pytest.mark.parametrize("what", STAMPS)
def test_cloudy_water_diverts_whatever_the_device_says_of_the_time(what: str) -> None:
    """A reading that is old by its stamp is no reading: then not knowing trips, later."""
    stamp, trips = STAMPS[what]
    story = Story(right, stamp)
    story.controlled()
    story.read(TURB=11.0)
    story.run(40)
    assert trips in [subject for _, kind, subject, _ in story.told if kind == "trip"]


@pytest.mark.parametrize(
    ("zone", "day", "hours"),
    [
        ("Europe/Zurich", (2025, 3, 30), 23),
        ("Europe/Zurich", (2025, 10, 26), 25),
        ("America/Denver", (2025, 3, 9), 23),
        ("America/Denver", (2025, 11, 2), 25),
        ("Europe/Zurich", (2025, 6, 1), 24),
        ("Australia/Lord_Howe", (2025, 10, 5), 23.5),
        ("Australia/Lord_Howe", (2025, 4, 6), 24.5),
    ],
)
def test_a_day_has_the_hours_its_zone_gives_it_and_each_hour_once(
    zone: str, day: tuple[int, int, int], hours: float
) -> None:
    offsets = offsets_of(zone)
    noon = datetime(*day, 12, tzinfo=ZoneInfo(zone)).astimezone(UTC).timestamp() * 1_000
    number = day_at(offsets, round(noon)).number
    quarters = [day_at(offsets, round(noon) + 900_000 * step) for step in range(-120, 121)]
    inside = [one.elapsed_ms for one in quarters if one.number == number]
    assert inside == [900_000 * step for step in range(round(hours * 4))]
