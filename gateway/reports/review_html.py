"""An alarm review as one page that needs nothing beside it, for the screen and for paper. Layout only. Pure."""

from collections.abc import Iterator
from datetime import UTC, datetime
from html import escape
from itertools import pairwise

from gateway.reports import rolling
from gateway.reports.alarm_review import FLOOD_ABOVE, Review
from gateway.reports.spans import Span
from gateway.reports.svg import Mark, Tick, columns, ranked
from gateway.reports.targets import Figure, Form, Met, figures
from gateway.reports.wording import SUPERVISORY, Table, caution, notes, period_text, running_text, shown, tables

_STRETCHES = 480  # columns of the plot over the whole period, each with the most within it
_TICKS = 8
_TEXT_FORMS = {Form.TEXT, Form.MOMENT}
_MARKS = {Met.YES: "yes", Met.NO: "no", Met.UNKNOWN: "unknown", Met.NO_TARGET: "none"}

_STYLE = """
:root { --ink: #1d1b24; --soft: #625d70; --line: #dcd8e4; --pale: #f5f3f9; --purple: #6a3d9a; --flood: #f6d9b8;
  --gap: #d9d9de; --bad: #a3261c; --good: #1f6b3a; }
* { box-sizing: border-box; }
body { font: 15px/1.45 system-ui, "Segoe UI", "DejaVu Sans", sans-serif; color: var(--ink); margin: 0 auto;
  max-width: 900px; padding: 28px 24px 48px; }
h1 { font-size: 24px; margin: 0; }
h2 { font-size: 17px; margin: 32px 0 8px; padding-top: 10px; border-top: 2px solid var(--purple); }
p { margin: 6px 0; }
.soft, figcaption { color: var(--soft); }
.sum { display: flex; flex-wrap: wrap; gap: 12px; margin: 18px 0; padding: 0; list-style: none; }
.sum li { flex: 1 1 150px; background: var(--pale); border-left: 4px solid var(--purple); padding: 8px 12px; }
.sum b { display: block; font-size: 22px; }
table { border-collapse: collapse; width: 100%; font-variant-numeric: tabular-nums; }
th, td { text-align: left; padding: 4px 16px 4px 0; border-bottom: 1px solid var(--line); vertical-align: top; }
th { color: var(--soft); font-weight: 600; font-size: 13px; }
td.number, th.number { text-align: right; white-space: nowrap; }
td.moment { white-space: nowrap; }
.yes { color: var(--good); } .no { color: var(--bad); font-weight: 700; } .unknown { color: var(--soft); }
td.yes, td.no, td.unknown { white-space: nowrap; }
figure { margin: 10px 0 18px; break-inside: avoid; }
figcaption { font-size: 13px; }
svg { width: 100%; height: auto; display: block; }
svg text { font: 12px system-ui, "Segoe UI", "DejaVu Sans", sans-serif; fill: var(--soft); }
svg .end { text-anchor: end; } svg .middle { text-anchor: middle; }
svg .bar { fill: var(--purple); } svg .grid { stroke: var(--line); }
svg .limit { stroke: var(--bad); stroke-dasharray: 5 4; stroke-width: 1.5; }
svg .flood { fill: var(--flood); } svg .gap { fill: var(--gap); }
.key { display: inline-block; width: 11px; height: 11px; margin: 0 4px 0 10px; vertical-align: -1px; }
ul.notes { padding-left: 20px; }
@media print {
  @page { size: A4; margin: 15mm; }
  body { font-size: 10pt; padding: 0; max-width: none; }
  * { print-color-adjust: exact; -webkit-print-color-adjust: exact; }
  tr, .sum { break-inside: avoid; } h2 { break-after: avoid; } thead { display: table-header-group; }
}
"""


def as_html(found: Review) -> str:
    """The whole review."""
    title = escape(f"Alarm review of {found.site.name}")
    body = "\n".join(_body(found))
    return (
        '<!DOCTYPE html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        f"<title>{title}</title>\n<style>{_STYLE}</style>\n</head>\n<body>\n{body}\n</body>\n</html>\n"
    )


def _body(found: Review) -> Iterator[str]:
    judged = figures(found)
    said = notes(found)
    yield f"<h1>Alarm review: {escape(found.site.name)}</h1>"
    yield f'<p class="soft">{escape(period_text(found))}. The gateway ran {escape(running_text(found))}.</p>'
    yield f"<p>{escape(SUPERVISORY)}</p>"
    yield f"<p><strong>{escape(caution(found))}</strong></p>"
    yield _summary(found, judged)
    yield "<h2>Over the period</h2>"
    yield _over_the_period(found)
    yield _days(found)
    yield _hours(found)
    yield _top(found)
    yield "<h2>Figures and targets</h2>"
    yield _judged(found, judged)
    for table in tables(found):
        yield f"<h2>{escape(table.title)}</h2>"
        yield _table(found, table) if table.rows else f"<p>{escape(table.empty)}</p>"
    yield "<h2>To be read with these figures</h2>"
    yield '<ul class="notes">' + "".join(f"<li>{escape(note)}</li>" for note in said) + "</ul>"


def _summary(found: Review, judged: tuple[Figure, ...]) -> str:
    with_target = [one for one in judged if one.met in (Met.YES, Met.NO)]
    met = sum(one.met is Met.YES for one in with_target)
    zone = found.site.zone
    parts = [
        (str(len(found.annunciations)), "annunciations"),
        (f"{met} of {len(with_target)}", "targets met"),
        (shown(Form.PART, found.part(found.flood_ms), zone), f"of the time in flood, {len(found.floods)} floods"),
        (shown(Form.DURATION, found.answering[0].quantile_ms(0.5), zone), "to acknowledge, median"),
    ]
    return '<ul class="sum">' + "".join(f"<li><b>{escape(b)}</b>{escape(text)}</li>" for b, text in parts) + "</ul>"


def _figure(plot: str, caption: str) -> str:
    return f"<figure><figcaption>{caption}</figcaption>{plot}</figure>"


def _over_the_period(found: Review) -> str:
    begin, end = found.period
    count = min(_STRETCHES, max(1, (end - begin) // 60_000))
    borders = [begin + (end - begin) * place // count for place in range(count + 1)]
    values = [rolling.peak(found.levels, span).count for span in pairwise(borders)]
    marks = [_mark(found, gap.span, "gap") for gap in found.gaps]
    marks += [_mark(found, flood.span, "flood") for flood in found.floods]
    title = "Annunciations in the last 10 min, the most in each stretch"
    plot = columns(title, values, _day_ticks(found, middle=False), limit=FLOOD_ABOVE, marks=marks)
    keys = (
        f"{title}; dashed: {FLOOD_ABOVE}, above which a flood begins."
        '<span class="key" style="background:var(--flood)"></span>flood'
        '<span class="key" style="background:var(--gap)"></span>gateway not running'
    )
    return _figure(plot, keys)


def _mark(found: Review, span: Span, kind: str) -> Mark:
    begin, end = found.period
    cut = max(begin, span[0]), min(end, span[1])
    return Mark(begin=(cut[0] - begin) / (end - begin), end=(cut[1] - begin) / (end - begin), kind=kind)


def _day_ticks(found: Review, *, middle: bool) -> list[Tick]:
    """Days below an axis, as many as there is room for, at their begin or in their middle."""
    every = -(-len(found.days) // _TICKS)
    shift = 0.5 if middle else 0
    return [
        Tick(at=(place + shift) / len(found.days), text=_short(found, day.span[0]))
        for place, day in enumerate(found.days)
        if place % every == 0
    ]


def _short(found: Review, at_ms: int) -> str:
    return datetime.fromtimestamp(at_ms / 1_000, UTC).astimezone(found.site.zone).strftime("%d %b")


def _days(found: Review) -> str:
    values = [day.annunciations for day in found.days]
    return _figure(columns("Annunciations of each day", values, _day_ticks(found, middle=True)), "Annunciations a day.")


def _hours(found: Review) -> str:
    ticks = [Tick(at=(hour + 0.5) / 24, text=f"{hour:02d}") for hour in range(0, 24, 3)]
    plot = columns("Annunciations by hour of the day", found.hours_of_day, ticks)
    return _figure(plot, "Annunciations by hour of the local day, all days together.")


def _top(found: Review) -> str:
    if not found.top:
        return ""
    rows = [
        (one.alarm, one.count, f"{one.count} ({shown(Form.PART, found.share(one.count), found.site.zone)})")
        for one in found.top
    ]
    return _figure(ranked("The ten most frequent alarms", rows), "The ten most frequent alarms, with their share.")


def _judged(found: Review, judged: tuple[Figure, ...]) -> str:
    rows = "".join(
        f'<tr><td>{escape(one.what)}</td><td class="number">{escape(shown(one.form, one.value, found.site.zone))}</td>'
        f'<td class="{_MARKS[one.met]}">{one.met.value}</td><td>{escape(one.target_text)}</td>'
        f'<td class="soft">{escape(one.source)}</td></tr>'
        for one in judged
    )
    head = '<tr><th>figure</th><th class="number">value</th><th></th><th>target</th><th>source</th></tr>'
    return f"<table><thead>{head}</thead><tbody>{rows}</tbody></table>"


def _table(found: Review, table: Table) -> str:
    classes = [_class(form) for form, _ in table.rows[0]]
    head = "".join(f'<th class="{kind}">{escape(name)}</th>' for kind, name in zip(classes, table.columns, strict=True))
    rows = "".join(
        "<tr>"
        + "".join(
            f'<td class="{_class(form)}">{escape(shown(form, value, found.site.zone))}</td>' for form, value in row
        )
        + "</tr>"
        for row in table.rows
    )
    return f"<table><thead><tr>{head}</tr></thead><tbody>{rows}</tbody></table>"


def _class(form: Form) -> str:
    return form.value if form in _TEXT_FORMS else "number"
