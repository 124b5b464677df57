"""A cause-and-effect matrix as one page that needs nothing beside it, for screen and paper. Layout only. Pure."""

from collections.abc import Iterator
from html import escape

from gateway.reports import matrix_words as words
from gateway.reports.matrix import CauseRow, Cell, Matrix

_STYLE = """
:root { --ink: #1d1b24; --soft: #625d70; --line: #c9c3d6; --pale: #f5f3f9; --purple: #6a3d9a; --hit: #efe4fb; }
* { box-sizing: border-box; }
body { font: 14px/1.4 system-ui, "Segoe UI", "DejaVu Sans", sans-serif; color: var(--ink); margin: 0 auto;
  padding: 28px 24px 48px; max-width: 1500px; }
h1 { font-size: 24px; margin: 0; }
h2 { font-size: 17px; margin: 32px 0 8px; padding-top: 10px; border-top: 2px solid var(--purple); }
p { margin: 6px 0; }
.soft { color: var(--soft); }
.hash { overflow-wrap: anywhere; }
.wide { overflow-x: auto; }
table { border-collapse: collapse; width: 100%; font-variant-numeric: tabular-nums; }
th, td { text-align: left; padding: 4px 8px; border: 1px solid var(--line); vertical-align: top; }
thead th { background: var(--pale); font-size: 13px; }
tbody th { white-space: nowrap; }
tr.service td { background: var(--pale); font-weight: 600; }
td.hit { background: var(--hit); border-left: 3px solid var(--purple); }
@media print {
  @page { size: A3 landscape; margin: 12mm; }
  body { font-size: 8.5pt; padding: 0; max-width: none; }
  .wide { overflow: visible; }
  * { print-color-adjust: exact; -webkit-print-color-adjust: exact; }
  tr { break-inside: avoid; } h2 { break-after: avoid; } thead { display: table-header-group; }
}
"""


def matrix_html(found: Matrix) -> str:
    """The whole matrix."""
    body = "\n".join(_body(found))
    return (
        '<!DOCTYPE html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        f"<title>{escape(words.title(found))}</title>\n<style>{_STYLE}</style>\n</head>\n<body>\n{body}\n</body>\n</html>\n"
    )


def _body(found: Matrix) -> Iterator[str]:
    yield f"<h1>{escape(words.title(found))}</h1>"
    yield f'<p class="soft hash">{escape(words.origin(found))}</p>'
    yield f"<p><strong>{escape(words.SUPERVISORY)}</strong></p>"
    yield f"<p>{escape(words.HOW_TO_READ)}</p>"
    heads = (*words.HEAD, *(words.head_of(column) for column in found.columns))
    head = "".join(f'<th scope="col">{escape(text)}</th>' for text in heads)
    rows = "\n".join(line for row in found.rows for line in _row(row, found))
    yield f'<div class="wide"><table><thead><tr>{head}</tr></thead><tbody>\n{rows}\n</tbody></table></div>'
    yield "<h2>Interlocks</h2>"
    yield _pairs(words.services(found))
    for column in found.columns:
        yield f"<h2>Output {escape(column.rule.id)}</h2>"
        yield _pairs(list(words.about_output(column, found)))


def _row(row: CauseRow, found: Matrix) -> Iterator[str]:
    if row.number == 1:
        columns = len(words.HEAD) + len(found.columns)
        yield f'<tr class="service"><td colspan="{columns}">{escape(row.rule.id)}: {escape(row.rule.service)}</td></tr>'
    asked = words.conditions(row, found)
    span = f' rowspan="{len(asked)}"' if len(asked) > 1 else ""
    told = (words.vote(row), words.delay(row), words.without_a_value(row), words.afterwards(row), words.bypass(row))
    plain = "".join(f"<td{span}>{escape(text)}</td>" for text in told)
    effects = "".join(_effect(row.cells.get(column.rule.id), span) for column in found.columns)
    name = f'<th scope="row"{span}>{escape(words.name(row))}</th>'
    first, *others = (f"<td>{escape(what)}</td><td>{escape(limit)}</td>" for what, limit in asked)
    yield f"<tr>{name}{first}{plain}{effects}</tr>"
    yield from (f"<tr>{other}</tr>" for other in others)


def _effect(cell: Cell | None, span: str) -> str:
    return f"<td{span}></td>" if cell is None else f'<td class="hit"{span}>{escape(words.effect(cell))}</td>'


def _pairs(pairs: list[tuple[str, str]]) -> str:
    rows = "".join(f'<tr><th scope="row">{escape(what)}</th><td>{escape(text)}</td></tr>' for what, text in pairs)
    return f"<table><tbody>{rows}</tbody></table>"
