"""A record as one HTML file that needs no network: tables, and plots as SVG. Pure."""

from collections.abc import Callable, Iterator
from html import escape
from html.parser import HTMLParser

from gateway.records.sheet import CAUTION, Cell, Plot, Sheet, Table, Words

_WIDTH, _HEIGHT, _LEFT, _BOTTOM, _TOP = 960, 170, 56, 22, 8
_LEGEND = (
    "Violet: at divert. Amber: held or calibrating. Grey: no usable value. Red: limit. A stroke spans least to most."
)
_STYLE = """body{font:13px/1.4 sans-serif;margin:1.5em;color:#222}
h1{font-size:1.3em}h2{font-size:1.05em;margin:1.4em 0 .3em}
table{border-collapse:collapse;font-size:12px}td,th
{border:1px solid #ccc;padding:2px 6px;text-align:left;vertical-align:top}
th{background:#eef}td.n{text-align:right;white-space:nowrap}
.caution{border:1px solid #b80;background:#fff6e0;padding:.4em}
.wide{overflow-x:auto}
svg{width:100%;max-width:960px;height:auto;display:block}.line{fill:none;stroke:#15509a;stroke-width:1}
.limit{stroke:#b00;stroke-dasharray:5 3}.divert{fill:#7a4fb5;fill-opacity:.55}.held{fill:#e8a200;fill-opacity:.35}
.bad{fill:#999;fill-opacity:.4}.axis{stroke:#666}text{font-size:11px;fill:#333}
@media print{.caution{position:fixed;bottom:0;left:0;right:0;font-size:9px}body{margin-bottom:4em}}"""


def as_html(sheet: Sheet) -> bytes:
    """The whole sheet."""
    title = escape(sheet.title)
    parts = [
        '<!DOCTYPE html>\n<html lang="en"><head><meta charset="utf-8">',
        f"<title>{title}</title><style>{_STYLE}</style></head>",
        f"<body><h1>{title}</h1>",
        *(f"<p>{escape(line)}</p>" for line in sheet.head),
        f'<p class="caution">{escape(CAUTION)}</p>',
    ]
    for part in sheet.parts:
        parts.append(f"<h2>{escape(part.heading)}</h2>")
        if isinstance(part, Words):
            parts += [f"<p>{escape(line)}</p>" for line in part.lines]
        elif isinstance(part, Table):
            parts += _table(part)
        else:
            parts.append(_svg(part))
    return "\n".join([*parts, "</body></html>", ""]).encode()


def _table(part: Table) -> Iterator[str]:
    yield '<div class="wide"><table><tr>' + "".join(f"<th>{escape(one)}</th>" for one in part.columns) + "</tr>"
    for row in part.rows:
        yield "<tr>" + "".join(map(_cell, row)) + "</tr>"
    yield "</table></div>"


def _cell(cell: Cell) -> str:
    key = f' data-key="{escape(cell.key)}" title="{escape(cell.key)}"' if cell.key else ""
    number = ' class="n"' if cell.exact is not None else ""
    return f"<td{number}{key}>{escape(cell.text)}</td>"


def _svg(plot: Plot) -> str:
    begin, end = plot.span
    inner_w, inner_h = _WIDTH - _LEFT - 6, _HEIGHT - _TOP - _BOTTOM
    floor_y = _TOP + inner_h

    def x(utc_ms: float) -> float:
        return round(_LEFT + (utc_ms - begin) / (end - begin) * inner_w, 1)

    def y(value: float) -> float:
        return round(floor_y - max(0.0, value) / plot.top * inner_h, 1)

    lines = [f'<svg viewBox="0 0 {_WIDTH} {_HEIGHT}" role="img" aria-label="{escape(plot.heading)}">']
    for since, until, kind in plot.bands:
        high = (floor_y, 5) if kind == "divert" else (_TOP, inner_h)
        width = f"{max(0.5, x(until) - x(since)):.1f}"
        lines.append(f'<rect class="{kind}" x="{x(since)}" y="{high[0]}" width="{width}" height="{high[1]}"/>')
    lines.append(f'<path class="line" d="{trace_path(plot, x, y)}"/>')
    for limit in plot.limits:
        lines.append(f'<line class="limit" x1="{_LEFT}" x2="{_WIDTH - 6}" y1="{y(limit)}" y2="{y(limit)}"/>')
        lines.append(f'<text x="{_LEFT - 4}" y="{y(limit) + 4}" text-anchor="end">{limit:g}</text>')
    lines.append(f'<line class="axis" x1="{_LEFT}" x2="{_WIDTH - 6}" y1="{floor_y}" y2="{floor_y}"/>')
    lines += [f'<text x="{x(at)}" y="{_HEIGHT - 3}">{escape(word)}</text>' for at, word in plot.ticks]
    lines.append(f'<text x="{_LEFT - 4}" y="{_TOP + 8}" text-anchor="end">{plot.top:.3g}</text></svg>')
    lines.append(f"<p>{_LEGEND}</p>")
    return "\n".join(lines)


def trace_path(plot: Plot, x: Callable[[float], float], y: Callable[[float], float]) -> str:
    """The strokes from least to most of each part, joined where parts follow one another, as an SVG path."""
    width = (plot.span[1] - plot.span[0]) / len(plot.lows)
    path, joined = [], False
    for i, (low, high) in enumerate(zip(plot.lows, plot.highs, strict=True)):
        if low is None or high is None:
            joined = False
            continue
        at = x(plot.span[0] + (i + 0.5) * width)
        path.append(f"{'L' if joined else 'M'}{at} {y(low)}L{at} {y(high)}")
        joined = True
    return "".join(path)


class _Keys(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.cells: dict[str, str] = {}
        self._key = ""

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self._key = dict(attrs).get("data-key") or "" if tag == "td" else self._key
        if self._key:
            self.cells.setdefault(self._key, "")

    def handle_endtag(self, tag: str) -> None:
        if tag == "td":
            self._key = ""

    def handle_data(self, data: str) -> None:
        if self._key:
            self.cells[self._key] += data


def keyed_cells(content: bytes) -> dict[str, str]:
    """Texts of the cells with a key, out of an HTML record."""
    found = _Keys()
    found.feed(content.decode(errors="replace"))
    return found.cells
