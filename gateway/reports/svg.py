"""Plots as SVG that stands inside a page: columns over an axis, and ranked bars. Layout only. Pure.

Colours are the page's: each part bears a class (see ``review_html``).
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from html import escape
from math import floor, log10

_WIDTH, _HEIGHT = 720, 190
_LEFT, _RIGHT, _TOP, _BOTTOM = 42, 8, 10, 26
_INNER_WIDTH, _INNER_HEIGHT = _WIDTH - _LEFT - _RIGHT, _HEIGHT - _TOP - _BOTTOM
_ROW, _LABEL, _FIGURE = 22, 210, 90
_WIDEST = 60
_GAP_FROM = 8  # columns narrower than this stand without a gap between them


@dataclass(frozen=True, slots=True, kw_only=True)
class Mark:
    """A stretch of the axis, shaded; both ends as parts of its length."""

    begin: float
    end: float
    kind: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Tick:
    """A word below the axis; its place as a part of the length."""

    at: float
    text: str


def columns(
    title: str, values: Sequence[int], ticks: Sequence[Tick], *, limit: int | None = None, marks: Sequence[Mark] = ()
) -> str:
    """Columns of equal width from left to right.

    Args:
        title: what is shown, for who cannot see it.
        values: not negative.
        ticks: below the axis.
        limit: drawn as a line across.
        marks: shaded stretches behind the columns.
    """
    top = _round_up(max(1, *values, 0 if limit is None else limit))
    return "".join(
        [
            f'<svg viewBox="0 0 {_WIDTH} {_HEIGHT}" role="img" aria-label="{escape(title)}">',
            *(_mark(mark) for mark in marks),
            *_grid(top),
            *_columns(values, top),
            *([] if limit is None else [_limit(limit, top)]),
            *(_tick(tick) for tick in ticks),
            "</svg>",
        ]
    )


def ranked(title: str, rows: Sequence[tuple[str, int, str]]) -> str:
    """Bars below one another.

    Args:
        title: as above.
        rows: name, value and what to write behind the bar of each.
    """
    most = max((value for _, value, _ in rows), default=1)
    height = _ROW * len(rows) + 4
    return "".join(
        [
            f'<svg viewBox="0 0 {_WIDTH} {height}" role="img" aria-label="{escape(title)}">',
            *(_bar(place, row, most) for place, row in enumerate(rows)),
            "</svg>",
        ]
    )


def _round_up(value: int) -> int:
    """A round number that is not much larger."""
    ten = int(10 ** floor(log10(value)))
    return next(step * ten // 10 for step in (10, 12, 16, 20, 30, 40, 50, 60, 80, 100) if step * ten >= 10 * value)


def _y(value: float, top: int) -> float:
    return _TOP + _INNER_HEIGHT * (1 - value / top)


def _x(part: float) -> float:
    return _LEFT + _INNER_WIDTH * part


def _grid(top: int) -> Iterator[str]:
    for value in (0, top) if top % 2 else (0, top // 2, top):
        y = _y(value, top)
        yield f'<line class="grid" x1="{_LEFT}" x2="{_WIDTH - _RIGHT}" y1="{y:.1f}" y2="{y:.1f}"/>'
        yield f'<text class="end" x="{_LEFT - 6}" y="{y + 4:.1f}">{value}</text>'


def _columns(values: Sequence[int], top: int) -> Iterator[str]:
    width = _INNER_WIDTH / max(1, len(values))
    gap = max(1.5, (width - _WIDEST) / 2) if width > _GAP_FROM else 0
    for place, value in enumerate(values):
        if value:
            y = _y(value, top)
            yield (
                f'<rect class="bar" x="{_LEFT + place * width + gap:.2f}" y="{y:.1f}" '
                f'width="{width - 2 * gap:.2f}" height="{_HEIGHT - _BOTTOM - y:.1f}"/>'
            )


def _mark(mark: Mark) -> str:
    x, width = _x(mark.begin), max(1.0, _INNER_WIDTH * (mark.end - mark.begin))
    return f'<rect class="{mark.kind}" x="{x:.2f}" y="{_TOP}" width="{width:.2f}" height="{_INNER_HEIGHT}"/>'


def _limit(limit: int, top: int) -> str:
    y = _y(limit, top)
    return f'<line class="limit" x1="{_LEFT}" x2="{_WIDTH - _RIGHT}" y1="{y:.1f}" y2="{y:.1f}"/>'


def _tick(tick: Tick) -> str:
    return f'<text class="middle" x="{_x(tick.at):.1f}" y="{_HEIGHT - 8}">{escape(tick.text)}</text>'


def _bar(place: int, row: tuple[str, int, str], most: int) -> str:
    name, value, text = row
    y, width = place * _ROW + 2, (_WIDTH - _LABEL - _FIGURE) * value / most
    return (
        f'<text class="end" x="{_LABEL - 8}" y="{y + 14}">{escape(name)}</text>'
        f'<rect class="bar" x="{_LABEL}" y="{y}" width="{width:.1f}" height="{_ROW - 4}"/>'
        f'<text x="{_LABEL + width + 6:.1f}" y="{y + 14}">{escape(text)}</text>'
    )
