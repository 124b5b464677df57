"""An alarm review as text for a terminal. Layout only. Pure."""

from collections.abc import Iterator

from gateway.reports.alarm_review import Review
from gateway.reports.targets import Figure, Met, figures
from gateway.reports.wording import Table, caution, columns, notes, period_text, running_text, shown, tables


def as_text(found: Review) -> str:
    """The whole review."""
    return "\n".join(_lines(found)) + "\n"


def _lines(found: Review) -> Iterator[str]:
    yield f"Alarm review of {found.site.name} ({found.site.id}), {period_text(found)}"
    yield f"The gateway ran {running_text(found)}. {caution(found)}".rstrip()
    yield ""
    yield from columns([_figure(found, one) for one in figures(found)])
    for table in tables(found):
        yield ""
        yield from _table(found, table)
    yield ""
    yield from notes(found)


def _figure(found: Review, one: Figure) -> tuple[str, ...]:
    value = shown(one.form, one.value, found.site.zone)
    if one.met is Met.NO_TARGET:
        return one.what, value, "", ""
    return one.what, value, one.met.value, f"{one.target_text} ({one.source})"


def _table(found: Review, table: Table) -> Iterator[str]:
    if not table.rows:
        yield f"{table.title}: {table.empty}"
        return
    yield f"{table.title}:"
    rows = [tuple(shown(form, value, found.site.zone) for form, value in row) for row in table.rows]
    yield from (f"  {line}" for line in columns([table.columns, *rows]))
