"""A record as PDF, plots as vector graphics; the same sheet gives the same bytes. Alone imports reportlab."""

import io

from reportlab.graphics.shapes import Drawing, Line, PolyLine, Rect, String
from reportlab.lib import colors
from reportlab.lib.pagesizes import A4, landscape
from reportlab.lib.styles import ParagraphStyle
from reportlab.pdfgen.canvas import Canvas
from reportlab.platypus import LongTable, Paragraph, SimpleDocTemplate, Spacer

from gateway.records.sheet import CAUTION, Plot, Sheet, Table, Words

_PAGE = landscape(A4)
_MARGIN = 36
_WIDTH = _PAGE[0] - 2 * _MARGIN
_HEAD = ParagraphStyle("head", fontName="Helvetica-Bold", fontSize=13, leading=16)
_PART = ParagraphStyle(
    "part", fontName="Helvetica-Bold", fontSize=9.5, leading=12, spaceBefore=8, spaceAfter=3, keepWithNext=1
)
_TEXT = ParagraphStyle("text", fontName="Helvetica", fontSize=8, leading=10)
_SMALL = ParagraphStyle("small", fontName="Helvetica", fontSize=6, leading=7)
_SHADES = {"divert": colors.HexColor("#a98fd0"), "held": colors.HexColor("#f4d080"), "bad": colors.HexColor("#cccccc")}
_MOST_COLUMNS = 14
_CELL = [
    ("GRID", (0, 0), (-1, -1), 0.25, colors.HexColor("#bbbbbb")),
    ("BACKGROUND", (0, 0), (-1, 0), colors.HexColor("#e8e8f4")),
    ("LEFTPADDING", (0, 0), (-1, -1), 2),
    ("RIGHTPADDING", (0, 0), (-1, -1), 2),
    ("TOPPADDING", (0, 0), (-1, -1), 1),
    ("BOTTOMPADDING", (0, 0), (-1, -1), 1),
    ("VALIGN", (0, 0), (-1, -1), "TOP"),
]


def as_pdf(sheet: Sheet) -> bytes:
    """The whole sheet; title, page number and caution on every page."""
    out = io.BytesIO()
    page = SimpleDocTemplate(
        out, pagesize=_PAGE, leftMargin=_MARGIN, rightMargin=_MARGIN, topMargin=40, bottomMargin=40,
        title=sheet.title, author="", creator="", producer="", invariant=1,
    )  # fmt: skip
    story = [Paragraph(_safe(sheet.title), _HEAD), *(Paragraph(_safe(line), _TEXT) for line in sheet.head)]
    for part in sheet.parts:
        story.append(Paragraph(_safe(part.heading), _PART))
        if isinstance(part, Words):
            story += [Paragraph(_safe(line), _TEXT) for line in part.lines]
        elif isinstance(part, Table):
            story += _tables(part)
        else:
            story += [_drawing(part), Spacer(1, 4)]

    def edge(canvas: Canvas, _: object) -> None:
        canvas.setFont("Helvetica", 7)
        canvas.drawString(_MARGIN, 22, CAUTION)
        canvas.drawRightString(_PAGE[0] - _MARGIN, 22, f"page {canvas.getPageNumber()}")
        canvas.drawString(
            _MARGIN, _PAGE[1] - 26, f"{sheet.title}   {sheet.head[1] if len(sheet.head) > 1 else ''}"[:170]
        )

    page.build(story, onFirstPage=edge, onLaterPages=edge)
    return out.getvalue()


def _safe(text: str) -> str:
    return text.replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")


def _tables(part: Table) -> list[LongTable]:
    """The table; one too wide for the page as several, each with the first column."""
    steps = range(1, max(2, len(part.columns)), _MOST_COLUMNS - 1)
    return [_one(part, [0, *range(at, min(len(part.columns), at + _MOST_COLUMNS - 1))]) for at in steps]


def _one(part: Table, columns: list[int]) -> LongTable:
    rows = [[Paragraph(f"<b>{_safe(part.columns[i])}</b>", _SMALL) for i in columns]]
    rows += [[Paragraph(_safe(row[i].text), _SMALL) for i in columns] for row in part.rows]
    sizes = [min(26, max(8, *(len(row[i].text) for row in part.rows), len(part.columns[i]) / 2)) for i in columns]
    widths = [_WIDTH * size / max(sum(sizes), 60) for size in sizes]
    return LongTable(rows, colWidths=widths, repeatRows=1, style=_CELL, hAlign="LEFT", spaceAfter=4)


def _drawing(plot: Plot) -> Drawing:
    height, left, bottom = 110.0, 40.0, 14.0
    drawing = Drawing(_WIDTH, height)
    begin, end = plot.span
    inner_w, inner_h = _WIDTH - left, height - bottom - 6

    def x(utc_ms: float) -> float:
        return float(round(left + (utc_ms - begin) / (end - begin) * inner_w, 2))

    def y(value: float) -> float:
        return round(bottom + max(0.0, value) / plot.top * inner_h, 2)

    for since, until, kind in plot.bands:
        low, high = (bottom - 4, 4.0) if kind == "divert" else (bottom, inner_h)
        width = max(0.3, x(until) - x(since))
        drawing.add(Rect(x(since), low, width, high, fillColor=_SHADES[kind], strokeColor=None))
    for points in _strokes(plot):
        flat = [number for at, value in points for number in (x(at), y(value))]
        drawing.add(PolyLine(flat, strokeColor=colors.HexColor("#15509a"), strokeWidth=0.6))
    for limit in plot.limits:
        drawing.add(
            Line(left, y(limit), _WIDTH, y(limit), strokeColor=colors.red, strokeDashArray=[4, 2], strokeWidth=0.6)
        )
        drawing.add(String(left - 3, y(limit) - 2, f"{limit:g}", fontSize=6, textAnchor="end"))
    drawing.add(Line(left, bottom, _WIDTH, bottom, strokeWidth=0.5))
    for at, word in plot.ticks:
        drawing.add(String(x(at), 2, word, fontSize=6))
    drawing.add(String(left - 3, height - 8, f"{plot.top:.3g}", fontSize=6, textAnchor="end"))
    return drawing


def _strokes(plot: Plot) -> list[list[tuple[float, float]]]:
    width = (plot.span[1] - plot.span[0]) / len(plot.lows)
    found: list[list[tuple[float, float]]] = [[]]
    for i, (low, high) in enumerate(zip(plot.lows, plot.highs, strict=True)):
        if low is None or high is None:
            found.append([])
            continue
        at = plot.span[0] + (i + 0.5) * width
        found[-1] += [(at, low), (at, high)]
    return [one for one in found if one]
