"""Laboratory results in the record: running medians, counts above limits, samples still awaited. Pure."""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta, tzinfo

from gateway.core.entry import LaboratoryResult, in_force
from gateway.treatment.results import Result, median_of

MEDIAN_OF = 7
_WEEKDAYS = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")


@dataclass(frozen=True, slots=True, kw_only=True)
class Window:
    """A running median: of which results, when the last was sampled, and when it was known."""

    entry: LaboratoryResult
    median: Result | None
    count: int


def known_results(entries: Iterable[LaboratoryResult], parameter: str, as_of_ms: int) -> tuple[LaboratoryResult, ...]:
    """Results and refusals in force that were known at a moment, in the order in which they were completed."""
    mine = [one for one in in_force(entries) if one.parameter == parameter and one.reported_utc_ms <= as_of_ms]
    return tuple(sorted(mine, key=lambda one: (one.reported_utc_ms, one.sampled_utc_ms, one.n)))


def qualified(entry: LaboratoryResult) -> Result:
    """A result as the rules of ``treatment.results`` take it; "<" stays "<"."""
    return Result(value=entry.result.value, sign={"<": -1, ">": 1}.get(entry.result.qualifier, 0))


def windows(results: Sequence[LaboratoryResult]) -> Iterator[Window]:
    """The median of the last seven completed results at each of them; None while there are fewer."""
    done = [one for one in results if not one.not_sampled]
    for end, entry in enumerate(done, 1):
        last = [qualified(one) for one in done[max(0, end - MEDIAN_OF) : end]]
        yield Window(entry=entry, median=median_of(last) if len(last) == MEDIAN_OF else None, count=len(last))


def awaited_days(
    results: Sequence[LaboratoryResult], days: Sequence[date], weekdays: Sequence[str], zone: tzinfo
) -> list[date]:
    """Days on which a sample was due and of which nothing is known yet, neither result nor reason."""
    told = {day_of(one.sampled_utc_ms, zone) for one in results}
    return [day for day in days if _WEEKDAYS[day.weekday()] in weekdays and day not in told]


def most_in_30_days(results: Sequence[LaboratoryResult], limit: float, zone: tzinfo) -> int:
    """The most samples above a limit whose days lie within any 30 days."""
    above = [one for one in results if not one.not_sampled and one.result.value > limit]
    days = sorted(day_of(one.sampled_utc_ms, zone) for one in above)
    return max((sum(day <= other < day + timedelta(days=30) for other in days) for day in days), default=0)


def day_of(utc_ms: int, zone: tzinfo) -> date:
    """The local day of a moment."""
    return datetime.fromtimestamp(utc_ms / 1_000, UTC).astimezone(zone).date()
