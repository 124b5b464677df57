"""A response budget as text for a terminal. Layout only. Pure."""

from collections.abc import Iterator, Sequence

from gateway.configuration.response import Response
from gateway.reports.budget import Budget, Race, remedies, stretches
from gateway.reports.wording import columns

SUPERVISORY = (
    "Supervisory only: computed from the configuration, not measured at the plant. Hard-wired and local protection "
    "stays; local codes, the permit and licensed practice decide."
)
_MEANS = (
    "Worst case of every part, in seconds: from the water at the tap to the output that stands safe, beside the time "
    "that the water takes between the two at the highest flow. A rule should need no more than half of that."
)


def budget_text(title: str, rows: Sequence[Budget]) -> str:
    """The whole budget.

    Args:
        title: of the site, with the configuration.
        rows: from ``budget.budgets``.
    """
    return "\n".join(_lines(title, rows)) + "\n"


def _lines(title: str, rows: Sequence[Budget]) -> Iterator[str]:
    yield f"Response budget of {title}"
    yield _MEANS
    yield ""
    if not rows:
        yield "No interlock is declared."
        return
    head = ("", *(part.text.split()[0] for part in stretches(rows[0].response)), "all", "water", "passes", "", "")
    yield from columns([head, *(_row(row) for row in rows)])
    for row in rows:
        yield from _helps(row)
    yield ""
    yield SUPERVISORY


def _row(row: Budget) -> tuple[str, ...]:
    response = row.response
    parts = (f"{part.lasts_s:g}" for part in stretches(response))
    water = "-" if row.water_s is None else f"{row.water_s:.0f}"
    passes = "-" if row.passes_l is None else f"{row.passes_l:.0f} L"
    verdict = "" if row.race is Race.NONE else row.race.value.upper() if row.race is Race.TOO_LATE else row.race.value
    return response.interlock, *parts, f"{response.safe_s:.1f}", water, passes, verdict, response.watches


def _helps(row: Budget) -> Iterator[str]:
    if row.race is not Race.TOO_LATE:
        return
    yield ""
    yield f"{_name(row.response)}: {row.passes_l:.0f} L pass at {row.response.peak_m3_h:g} m3/h. What would help:"
    yield from (f"  - {remedy}" for remedy in remedies(row))


def _name(response: Response) -> str:
    return f"{response.interlock} ({response.service}), {response.watches}"
