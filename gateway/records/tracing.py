"""From a printed figure to what it is made of, in three steps: figure, span and rules, readings. Pure."""

from collections.abc import Iterator
from datetime import date
from itertools import islice

from gateway.records.day import Day, Given, day_of, pieces_of
from gateway.records.series import State, within
from gateway.records.sheet import Sheet, at, minutes

_SHOWN = 10


class NotTraced(Exception):  # noqa: N818 - named for what is the case
    """There is no such figure; the text says what there is."""


def trace_text(given: Given, sheet: Sheet, key: str) -> str:
    """What a figure is made of.

    Raises:
        NotTraced: the record has no cell of that key.
    """
    cells = {cell.key: cell for cell in sheet.cells()}
    if key not in cells:
        near = [one for one in cells if one.rsplit("/", 1)[0] == key.rsplit("/", 1)[0]] or list(cells)
        raise NotTraced(f"{key} is no figure of this record; there are {', '.join(near[:6])} and {len(cells)} in all")
    cell = cells[key]
    lines = [f"1. The figure: {key} is printed as {cell.text}; unrounded {cell.exact!r}."]
    name, _, day = key.partition("/")[2].rpartition("/")
    quantity = max((one for one in given.record.quantities if name.startswith(f"{one}-")), key=len, default="")
    if quantity and day.isdigit():
        lines += _of_quantity(given, quantity, day_of(given, _day(sheet.key, int(day))))
    else:
        lines += [
            f"2. Made of {name.replace('-', ' ')} over {sheet.key} by the rules at the end of the record.",
            *sheet.head,
        ]
    return "\n".join(lines) + "\n"


def _day(period: str, day: int) -> date:
    year, month = (int(part) for part in period.split("-")[:2])
    return date(year, month, day)


def _of_quantity(given: Given, quantity: str, day: Day) -> Iterator[str]:
    keys, one = given.record.quantities[quantity], day.columns[quantity].treated
    yield (
        f"2. The rules: {keys.tag}, {at(day.span[0], given.zone)} to {at(day.span[1], given.zone)} "
        f"({minutes(day.length_ms)} min), while {keys.during}; a reading stands for at most {keys.longest_s:g} s. "
        f"Configuration now {given.configuration[:16]}, then {_configuration_at(given, day.span[0])[:16] or 'unknown'}."
    )
    yield (
        f"   Required {minutes(one.required_ms)} min, valid {minutes(one.valid_ms)}, held {minutes(one.held_ms)}, "
        f"no usable value {minutes(one.bad_ms)}, nothing arrived {minutes(one.stale_ms)}, "
        f"suspect {minutes(one.suspect_ms)}."
    )
    for name, limit in given.limits_on(day.day, keys.parameter).items():
        yield f"   Limit {name}: {limit.statistic} {limit.limit} {limit.unit}, {limit.source}"
    spans = day.producing if keys.during == "producing" else day.delivering
    pieces = list(within(pieces_of(given, keys, day.span), spans))
    yield f"3. The readings: {len(pieces)} stretches; all of them with 'purplegate record readings'. The largest:"
    largest = sorted((p for p in pieces if p[3] <= State.UNDER), key=lambda p: (-p[2], p[0]))
    for begin, end, value, state in islice(largest, _SHOWN):
        yield f"   {at(begin, given.zone)}  {value:.6g}  {State(state).name}  for {(end - begin) / 1_000:g} s"


def _configuration_at(given: Given, utc_ms: int) -> str:
    return next(
        (one.configuration for one in reversed(given.journal) if one.utc_ms <= utc_ms and one.configuration), ""
    )
