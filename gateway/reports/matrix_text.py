"""A cause-and-effect matrix as text for a terminal. Layout only. Pure."""

from collections.abc import Iterator

from gateway.reports import matrix_words as words
from gateway.reports.matrix import CauseRow, Matrix
from gateway.reports.wording import columns


def matrix_text(found: Matrix) -> str:
    """The whole matrix."""
    return "\n".join(_lines(found)) + "\n"


def _lines(found: Matrix) -> Iterator[str]:
    yield words.title(found)
    yield words.origin(found)
    yield words.SUPERVISORY
    yield words.HOW_TO_READ
    yield ""
    head = (*words.HEAD, *(words.head_of(column) for column in found.columns))
    yield from columns([head, *(line for row in found.rows for line in _row(row, found))])
    yield ""
    yield "Interlocks:"
    yield from (f"  {line}" for line in columns(words.services(found)))
    for column in found.columns:
        yield ""
        yield f"Output {column.rule.id}:"
        yield from (f"  {line}" for line in columns(list(words.about_output(column, found))))


def _row(row: CauseRow, found: Matrix) -> Iterator[tuple[str, ...]]:
    """One line for each condition; what holds for the cause as a whole stands in the first."""
    asked = words.conditions(row, found)
    effects = [words.effect(row.cells.get(column.rule.id)) for column in found.columns]
    for number, (what, limit) in enumerate(asked):
        if number:
            yield "", what, limit, *("" for _ in (*words.HEAD[3:], *effects))
            continue
        rest = (words.vote(row), words.delay(row), words.without_a_value(row), words.afterwards(row), words.bypass(row))
        yield words.name(row), what, limit, *rest, *effects
