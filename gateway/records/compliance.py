"""Whether each limit was kept over a period, and how often not. Compares unrounded figures and rounds nothing. Pure."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from gateway.configuration.schema.permit import Limit, Sampling
from gateway.core.entry import LaboratoryResult
from gateway.records import coliform
from gateway.records.day import Column, Day, Given
from gateway.records.figures import Figures
from gateway.records.windows import window_ms
from gateway.treatment.limits import exceeds
from gateway.treatment.results import is_above

NOT_JUDGED = "not judged from this record"


@dataclass(frozen=True, slots=True, kw_only=True)
class Judged:
    """One limit over a period.

    Args:
        name: of the limit.
        limit: itself.
        verdict: ``kept``, ``NOT kept``, ``insufficient data``, or that it is not judged here.
        count: how many days or samples did not keep it.
        of: out of how many that could be judged.
        told: the worst figure, in words.
        when: days on which it was not kept.
    """

    name: str
    limit: Limit
    verdict: str
    count: int
    of: int
    told: str
    when: tuple[date, ...] = ()


def judged(given: Given, days: Sequence[Day], results: Sequence[LaboratoryResult]) -> list[Judged]:
    """Every limit that holds on any of the days, each version by itself."""
    found: list[Judged] = []
    for name, versions in given.limits.items():
        for limit in versions:
            mine = [day for day in days if limit in given.limits_on(day.day, limit.parameter).values()]
            if mine:
                found.append(_judged(given, name, limit, mine, results))
    return found


def _judged(given: Given, name: str, limit: Limit, days: Sequence[Day], results: Sequence[LaboratoryResult]) -> Judged:
    columns = [key for key, one in given.record.quantities.items() if one.parameter == limit.parameter]
    if columns and limit.limit is not None:
        return _of_quantity(name, limit, limit.limit, [(day.day, day.columns[columns[0]]) for day in days])
    sampling = [one for one in given.record.sampling if one.limits_parameter == limit.parameter]
    if sampling and limit.limit is not None:
        return _of_samples(given, name, limit, limit.limit, sampling[0], (days[0].day, days[-1].day), results)
    return Judged(name=name, limit=limit, verdict=NOT_JUDGED, count=0, of=0, told="")


def _of_quantity(name: str, limit: Limit, figure: float, days: Sequence[tuple[date, Column]]) -> Judged:
    if limit.statistic == "mean_month":
        return _month_mean(name, limit, figure, days)
    values = [(day, _value(name, limit, figure, column)) for day, column in days if column.treated.required_ms]
    known = [(day, value) for day, value in values if value is not None]
    if limit.statistic not in _LOW | _HIGH:
        return Judged(name=name, limit=limit, verdict=NOT_JUDGED, count=0, of=0, told="")
    bound = _bound(limit, figure)
    low = limit.statistic in _LOW
    broken = [day for day, value in known if (exceeds(bound, value) if low else exceeds(value, bound))]
    worst = (min if low else max)(known, key=lambda one: one[1], default=None)
    told = "" if worst is None else f"worst {_words(limit, worst[1])} on {worst[0]}"
    return Judged(
        name=name,
        limit=limit,
        verdict=_verdict(len(broken), len(known), len(values)),
        count=len(broken),
        of=len(known),
        told=told,
        when=tuple(broken),
    )


_LOW = {"min", "min_at_all_times"}
_HIGH = {"mean_24h", "time_above", "max_any_time", "max", "time_above_continuous"}


def _bound(limit: Limit, figure: float) -> float:
    if limit.statistic == "time_above":
        return limit.allowed_fraction or 0.0
    return (window_ms(limit.window) or 0) / 60_000 if limit.statistic == "time_above_continuous" else figure


def _value(name: str, limit: Limit, figure: float, column: Column) -> float | None:
    if name in column.rolled:
        windows = column.rolled[name]
        return windows.mean if limit.statistic == "mean_24h" else windows.share
    if limit.statistic == "time_above_continuous":
        longest = column.longest_above_ms[figure] / 60_000
        return longest if column.treated.enough or longest > _bound(limit, figure) else None
    if limit.statistic in {"mean_24h", "time_above"}:
        return _share_or_mean(limit, figure, column.treated, column.spaced.get(name))
    return _extreme(limit, figure, column)


def _share_or_mean(
    limit: Limit, figure: float, treated: Figures, spaced: Sequence[float | None] | None
) -> float | None:
    if limit.statistic == "mean_24h":
        if spaced is None:
            return treated.mean
        counted = [one for one in spaced if one is not None]
        return math.fsum(counted) / len(counted) if counted and len(counted) == len(spaced) else None
    if spaced is None:
        return treated.share_of_day(figure) if treated.enough or treated.above_ms[figure] else None
    counted = [one for one in spaced if one is not None]
    return sum(exceeds(one, figure) for one in counted) / len(counted) if counted else None


def _extreme(limit: Limit, figure: float, column: Column) -> float | None:
    """The largest or smallest reading; what was sampled by hand counts as well."""
    low = limit.statistic in _LOW
    extreme = column.treated.smallest if low else column.treated.largest
    if extreme is not None and extreme.clipped and extreme.value >= figure and not low:
        return math.inf
    values = [*column.by_hand, *([] if extreme is None else [extreme.value])]
    return (min if low else max)(values, default=None)


def _words(limit: Limit, value: float) -> str:
    if limit.statistic == "time_above":
        return f"{value * 100:.2f} % of the {'window' if 'rolling' in limit.window else 'day'}"
    if limit.statistic == "time_above_continuous":
        return f"{value:.1f} min without a break"
    return f"{'above its span' if math.isinf(value) else f'{value:.4g}'} {limit.unit}".strip()


def _verdict(broken: int, known: int, required: int) -> str:
    if broken:
        return "NOT kept"
    return "kept" if known == required else f"insufficient data ({known} of {required})"


def _month_mean(name: str, limit: Limit, figure: float, days: Sequence[tuple[date, Column]]) -> Judged:
    usable = [column.treated for _, column in days if column.treated.mean is not None]
    required = sum(bool(column.treated.required_ms) for _, column in days)
    weight = sum(one.valid_ms for one in usable)
    if not weight or len(usable) < required:
        verdict = f"insufficient data ({len(usable)} of {required})"
        return Judged(name=name, limit=limit, verdict=verdict, count=0, of=len(usable), told="")
    mean = math.fsum((one.mean or 0.0) * one.valid_ms for one in usable) / weight
    broken = exceeds(mean, figure)
    verdict = "NOT kept" if broken else "kept"
    return Judged(name=name, limit=limit, verdict=verdict, count=int(broken), of=1, told=f"mean {mean:.4g}")


def _of_samples(  # noqa: PLR0917 - called in one place, in this order
    given: Given,
    name: str,
    limit: Limit,
    figure: float,
    sampling: Sampling,
    period: tuple[date, date],
    results: Sequence[LaboratoryResult],
) -> Judged:
    mine = [one for one in results if one.parameter == sampling.parameter and not one.not_sampled]
    inside = [one for one in mine if period[0] <= coliform.day_of(one.sampled_utc_ms, given.zone) <= period[1]]
    days: list[date] = []
    if limit.statistic == "median_last_7_days_analysed":
        medians = [one for one in coliform.windows(mine) if one.entry in inside and one.median is not None]
        broken = [one for one in medians if one.median is not None and is_above(one.median, figure)]
        days = [coliform.day_of(one.entry.sampled_utc_ms, given.zone) for one in broken]
        worst = max((one.median for one in medians if one.median is not None), key=lambda one: one.value, default=None)
        count, of, told = len(broken), len(medians), "" if worst is None else f"worst median {worst} {limit.unit}"
    elif limit.statistic == "more_than_one_sample_above":
        most = coliform.most_in_30_days(mine, figure, given.zone)
        count, of, told = int(most > 1), len(inside), f"{most} above within 30 days, one is allowed"
    elif limit.statistic == "single_max":
        above = [one for one in inside if is_above(coliform.qualified(one), figure)]
        days = [coliform.day_of(one.sampled_utc_ms, given.zone) for one in above]
        top = max((coliform.qualified(one) for one in inside), key=lambda one: (one.value, one.sign), default=None)
        count, of, told = len(above), len(inside), "" if top is None else f"largest {top} {limit.unit}"
    else:
        return Judged(name=name, limit=limit, verdict=NOT_JUDGED, count=0, of=0, told="")
    verdict = "NOT kept" if count else "kept" if of else "insufficient data (0 results)"
    return Judged(name=name, limit=limit, verdict=verdict, count=count, of=of, told=told, when=tuple(days))
