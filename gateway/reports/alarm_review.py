"""The figures of an alarm review over a period, after ISA-18.2 and EEMUA 191. Pure.

Counts annunciations (ALARM lines) and nothing else as calls on a person;
returns, acknowledgements and what happened behind a reason to hide count
apart. Windows roll and reach back before the period, so that a flood across
its border is found whole. Rates are per time in which the gateway ran.

Judges nothing: ``targets`` does.
"""

from bisect import bisect_left, bisect_right
from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta, tzinfo
from itertools import groupby, pairwise
from math import ceil

from gateway.core.alarm import AlarmRule, Priority
from gateway.core.outcome import EventKind
from gateway.local.messages import JournalEntry
from gateway.reports import rolling
from gateway.reports.annunciations import Annunciation, Hidden, Story, Stretch, story
from gateway.reports.rolling import Level, Peak
from gateway.reports.spans import Span, common, length_ms
from gateway.reports.timeline import Gap, Timeline, timeline

MINUTE_MS = 60_000
TEN_MINUTES_MS = 10 * MINUTE_MS
HOUR_MS = 60 * MINUTE_MS
DAY_MS = 24 * HOUR_MS

FLOOD_ABOVE, FLOOD_BELOW = 10, 5  # in ten minutes
BUSY_HOUR = 30
CHATTER_COUNT = 3  # in a minute
FLEETING_MS = MINUTE_MS
STANDING_MS = DAY_MS
TOP = 10
CALLED = (Priority.P1.value, Priority.P2.value)  # each of these is a message to people


@dataclass(frozen=True, slots=True, kw_only=True)
class Reviewed:
    """The site of a review.

    Args:
        id: of the site.
        name: as people say it.
        zone: its time zone, whose days are meant.
        alarms: that it declares today.
    """

    id: str
    name: str
    zone: tzinfo
    alarms: Mapping[str, AlarmRule]


@dataclass(frozen=True, slots=True, kw_only=True)
class Flood:
    """A flood, whole, also where it reaches over the border of the period.

    Args:
        span: from the annunciation that was one too many until few are left in ten minutes.
        count: annunciations, with those that led to it.
        peak: most in ten minutes.
        first: the alarm whose annunciation was the first of them.
    """

    span: Span
    count: int
    peak: int
    first: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Counted:
    """One alarm and how often."""

    alarm: str
    priority: str
    count: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Chattering:
    """One alarm that called again and again within a minute.

    Args:
        alarm: its id.
        episodes: how often it began to.
        count: annunciations within them.
    """

    alarm: str
    episodes: int
    count: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Answering:
    """How annunciations were acknowledged.

    Args:
        priority: of them; empty for all.
        count: annunciations.
        waits_ms: from annunciation to acknowledgement, shortest first.
        waiting: not acknowledged, and still to be.
        never: not acknowledged, and replaced, hidden or forgotten since.
    """

    priority: str
    count: int
    waits_ms: tuple[int, ...]
    waiting: int
    never: int

    def quantile_ms(self, part: float) -> int | None:
        """The wait that this part of the acknowledged ones did not exceed (nearest rank); None when none was."""
        return self.waits_ms[max(0, ceil(part * len(self.waits_ms)) - 1)] if self.waits_ms else None


@dataclass(frozen=True, slots=True, kw_only=True)
class Hiding:
    """One reason to hide.

    Args:
        how: the reason.
        begun: times within the period.
        alarms: it concerned.
        hidden_ms: of all of them together, within the period.
        most: hidden at once for it.
    """

    how: Hidden
    begun: int
    alarms: int
    hidden_ms: int
    most: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Day:
    """One local day. Its length is 23 or 25 hours where the clocks change."""

    span: Span
    running_ms: int
    annunciations: int
    messages: int
    peak: int
    flood_ms: int
    standing: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Review:
    """All figures of a period; instants and durations in milliseconds.

    Args:
        site: reviewed.
        period: from the first local midnight to the one after the last day.
        running: when the gateway ran within it.
        gaps: when it is not known to have run.
        annunciations: of the period.
        levels: changes of the count in ten minutes.
        peak_minute, peak_ten_minutes, peak_hour: the most in any such window.
        busy_ten_minutes_ms, busy_hours_ms: running time with more in the window than a flood begins with, than 30.
        floods: that reach into the period.
        flood_ms: running time in flood.
        top: the ten most frequent.
        chattering: alarms that did.
        fleeting: alarms and how often they returned by themselves within the stated time.
        standing: active for longer than a day at some time of the period; with the whole stretch.
        active_peak: most active at once.
        priorities: annunciations of each priority.
        declared: alarms of each priority in today's configuration.
        answering: all, then each priority that called.
        hiding: of each reason.
        unheard: what would have been annunciated had it not been hidden.
        refused: requests to hide that were refused.
        days: every day of the period.
        hours_of_day: annunciations in each of the 24 hours of the local day.
        configurations: starts with another configuration than the run before.
        changed_keys: keys that were different then.
        clock_steps: how often the wall clock was set in runs that reach into the period.
        untrusted_runs: runs in the period whose clock was never trusted.
        missing: lines of the whole journal that are gone or damaged, first and last number.
        replaced: damaged records that were set aside, file names.
    """

    site: Reviewed
    period: Span
    running: tuple[Span, ...]
    gaps: tuple[Gap, ...]
    annunciations: tuple[Annunciation, ...]
    levels: tuple[Level, ...]
    peak_minute: Peak
    peak_ten_minutes: Peak
    peak_hour: Peak
    busy_ten_minutes_ms: int
    busy_hours_ms: int
    floods: tuple[Flood, ...]
    flood_ms: int
    top: tuple[Counted, ...]
    chattering: tuple[Chattering, ...]
    fleeting: tuple[Counted, ...]
    standing: tuple[Stretch, ...]
    active_peak: Peak
    priorities: Mapping[str, int]
    declared: Mapping[str, int]
    answering: tuple[Answering, ...]
    hiding: tuple[Hiding, ...]
    unheard: tuple[Counted, ...]
    refused: int
    days: tuple[Day, ...]
    hours_of_day: tuple[int, ...]
    configurations: int
    changed_keys: int
    clock_steps: int
    untrusted_runs: tuple[int, ...]
    missing: tuple[tuple[int, int], ...]
    replaced: tuple[str, ...]

    @property
    def running_ms(self) -> int:
        """How long the gateway ran."""
        return length_ms(self.running)

    @property
    def messages(self) -> int:
        """Annunciations that are messages to people."""
        return sum(self.priorities.get(priority, 0) for priority in CALLED)

    def rate(self, count: int, per_ms: int) -> float | None:
        """How many in so much running time; None when the gateway did not run for as long."""
        return count * per_ms / self.running_ms if self.running_ms >= per_ms else None

    def part(self, some_ms: int) -> float | None:
        """Part of the running time; None when the gateway did not run."""
        return some_ms / self.running_ms if self.running_ms else None

    def share(self, count: int) -> float | None:
        """Part of the annunciations; None when there was none."""
        return count / len(self.annunciations) if self.annunciations else None


def review(site: Reviewed, entries: Sequence[JournalEntry], *, first: date, last: date, until_utc_ms: int) -> Review:
    """The figures of a period.

    Args:
        site: reviewed.
        entries: the whole journal, in order; what lies before the period tells what stood at its begin, and what
            lies after it, what became of its annunciations.
        first: local day with which the period begins.
        last: local day with which it ends, within the period too.
        until_utc_ms: until when the newest run is known to have lived.
    """
    line = timeline(entries, until_utc_ms=until_utc_ms)
    return _Figures(site, line, local_days(first, last, site.zone)).review()


def local_days(first: date, last: date, zone: tzinfo) -> list[Span]:
    """The days from the first to the last, both of them too, each from its midnight to the next."""
    dates = [first + timedelta(days=after) for after in range((last - first).days + 2)]
    midnights = [round(datetime.combine(day, time(), zone).timestamp() * 1_000) for day in dates]
    return list(pairwise(midnights))


class _Figures:
    """What several figures need, made once."""

    def __init__(self, site: Reviewed, line: Timeline, days: Sequence[Span]) -> None:
        self._site, self._line, self._days = site, line, days
        self._period = (days[0][0], days[-1][1])
        self._running = common([self._period], line.running())
        self._story: Story = story(line, site.alarms)
        self._all = self._story.annunciations
        self._times = [one.at_ms for one in self._all]
        self._mine = self._during(self._period)
        self._ten = rolling.levels(self._times, TEN_MINUTES_MS)
        self._flood_spans = rolling.between(self._ten, above=FLOOD_ABOVE, below=FLOOD_BELOW)

    def review(self) -> Review:
        hour = rolling.levels(self._times, HOUR_MS)
        standing = [one for one in map(_stood, self._story.active) if one is not None]
        return Review(
            site=self._site,
            period=self._period,
            running=tuple(self._running),
            gaps=self._line.gaps(self._period),
            annunciations=self._mine,
            levels=tuple(self._ten),
            peak_minute=rolling.peak(rolling.levels(self._times, MINUTE_MS), self._period),
            peak_ten_minutes=rolling.peak(self._ten, self._period),
            peak_hour=rolling.peak(hour, self._period),
            busy_ten_minutes_ms=rolling.above_ms(self._ten, FLOOD_ABOVE, self._running),
            busy_hours_ms=rolling.above_ms(hour, BUSY_HOUR, self._running),
            floods=tuple(self._flood(span) for span in self._flood_spans if self._overlaps(span)),
            flood_ms=length_ms(common(self._flood_spans, self._running)),
            top=self._counted(one.alarm for one in self._mine)[:TOP],
            chattering=self._chattering(),
            fleeting=self._counted(one.alarm for one in self._mine if _fleeting(one)),
            standing=tuple(one for one in self._story.active if (long := _stood(one)) and self._overlaps(long)),
            active_peak=rolling.peak(rolling.stacked(one.span for one in self._story.active), self._period),
            priorities=Counter(one.priority for one in self._mine),
            declared=Counter(rule.priority.value for rule in self._site.alarms.values()),
            answering=self._answering(),
            hiding=tuple(self._hiding(how) for how in Hidden),
            unheard=self._counted(alarm for at_ms, alarm in self._story.unheard if self._within(at_ms)),
            refused=sum(entry.kind in _REFUSED for entry in self._entries()),
            days=tuple(self._day(day, standing) for day in self._days),
            hours_of_day=self._hours_of_day(),
            configurations=self._configurations(),
            changed_keys=sum(entry.kind == EventKind.LIMIT_CHANGE.value for entry in self._entries()),
            clock_steps=sum(run.steps for run in self._line.runs if self._overlaps(run.span)),
            untrusted_runs=tuple(run.number for run in self._line.runs if not run.trusted and self._overlaps(run.span)),
            missing=self._line.missing,
            replaced=tuple(
                str(line.entry.facts.get("set_aside", ""))
                for line in self._line.lines
                if line.entry.kind == EventKind.STORE_REPLACED.value
            ),
        )

    def _during(self, span: Span) -> tuple[Annunciation, ...]:
        return self._all[bisect_left(self._times, span[0]) : bisect_left(self._times, span[1])]

    def _within(self, at_ms: int) -> bool:
        return self._period[0] <= at_ms < self._period[1]

    def _overlaps(self, span: Span) -> bool:
        return span[0] < self._period[1] and self._period[0] < span[1]

    def _entries(self) -> list[JournalEntry]:
        return [line.entry for line in self._line.lines if self._within(line.at_ms)]

    def _counted(self, alarms: Iterable[str]) -> tuple[Counted, ...]:
        """Alarms by how often they occur, the most frequent first."""
        priorities = {one.alarm: one.priority for one in self._all}
        found = sorted(Counter(alarms).items(), key=lambda pair: (-pair[1], pair[0]))
        return tuple(
            Counted(alarm=alarm, priority=priorities.get(alarm) or self._declared(alarm), count=count)
            for alarm, count in found
        )

    def _declared(self, alarm: str) -> str:
        rule = self._site.alarms.get(alarm)
        return rule.priority.value if rule is not None else ""

    def _flood(self, span: Span) -> Flood:
        mine = self._during((span[0] - TEN_MINUTES_MS + 1, span[1]))
        return Flood(span=span, count=len(mine), peak=rolling.peak(self._ten, span).count, first=mine[0].alarm)

    def _chattering(self) -> tuple[Chattering, ...]:
        times: dict[str, list[int]] = defaultdict(list)
        for one in self._all:
            times[one.alarm].append(one.at_ms)
        return tuple(found for alarm in sorted(times) if (found := self._chatter(alarm, times[alarm])).episodes)

    def _chatter(self, alarm: str, times: Sequence[int]) -> Chattering:
        """An episode lasts from the third annunciation in a minute until the minute holds none."""
        spans = rolling.between(rolling.levels(times, MINUTE_MS), above=CHATTER_COUNT - 1, below=1)
        mine = [span for span in spans if self._within(span[0])]
        return Chattering(
            alarm=alarm,
            episodes=len(mine),
            count=sum(bisect_left(times, end) - bisect_right(times, begin - MINUTE_MS) for begin, end in mine),
        )

    def _answering(self) -> tuple[Answering, ...]:
        priorities = sorted({one.priority for one in self._mine})
        each = [_answered(name, [one for one in self._mine if one.priority == name]) for name in priorities]
        return (_answered("", self._mine), *each)

    def _hiding(self, how: Hidden) -> Hiding:
        mine = [one for one in self._story.hidden[how] if self._overlaps(one.span) or self._within(one.span[0])]
        return Hiding(
            how=how,
            begun=sum(self._within(one.span[0]) for one in mine),
            alarms=len({one.alarm for one in mine}),
            hidden_ms=sum(length_ms(common([self._period], [one.span])) for one in mine),
            most=rolling.peak(rolling.stacked(one.span for one in mine), self._period).count,
        )

    def _day(self, day: Span, standing: Sequence[Span]) -> Day:
        mine = self._during(day)
        return Day(
            span=day,
            running_ms=length_ms(common([day], self._running)),
            annunciations=len(mine),
            messages=sum(one.priority in CALLED for one in mine),
            peak=rolling.peak(self._ten, day).count,
            flood_ms=length_ms(common(common([day], self._running), self._flood_spans)),
            standing=sum(span[0] < day[1] and day[0] < span[1] for span in standing),
        )

    def _hours_of_day(self) -> tuple[int, ...]:
        hours = Counter(datetime.fromtimestamp(one.at_ms / 1_000, self._site.zone).hour for one in self._mine)
        return tuple(hours[hour] for hour in range(24))

    def _configurations(self) -> int:
        """Starts in the period with another configuration than the run before."""
        firsts = [next(run) for _, run in groupby(self._line.lines, key=lambda line: line.entry.run)]
        pairs = pairwise(firsts)
        return sum(
            before.entry.configuration != after.entry.configuration and self._within(after.at_ms)
            for before, after in pairs
        )


_REFUSED = {EventKind.SHELVE_REFUSED.value, EventKind.SERVICE_REFUSED.value}


def _stood(active: Stretch) -> Span | None:
    """The part of a stretch in which it had been active for more than a day."""
    begin = active.span[0] + STANDING_MS
    return (begin, active.span[1]) if begin < active.span[1] else None


def _fleeting(one: Annunciation) -> bool:
    """Returned within the stated time, and nobody had acknowledged it by then."""
    if one.returned_ms is None or one.returned_ms - one.at_ms > FLEETING_MS:
        return False
    return one.acked_ms is None or one.acked_ms > one.returned_ms


def _answered(priority: str, mine: Sequence[Annunciation]) -> Answering:
    waits = sorted(one.acked_ms - one.at_ms for one in mine if one.acked_ms is not None)
    waiting = sum(one.acknowledgeable for one in mine)
    return Answering(
        priority=priority,
        count=len(mine),
        waits_ms=tuple(waits),
        waiting=waiting,
        never=len(mine) - len(waits) - waiting,
    )
