"""Diversions and gaps: when, why, how long, how much. Pure."""

from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

from gateway.core.entry import GapReason
from gateway.core.outcome import EventKind
from gateway.local.messages import JournalEntry
from gateway.records.series import Piece, Series, Span, State
from gateway.treatment.totals import growth

GAP_MS = 15 * 60_000
_AFTER_MS = 120_000  # a valve takes less to leave the switch after a release


@dataclass(frozen=True, slots=True, kw_only=True)
class Diversion:
    """Once the valve stood at divert.

    Args:
        span: proven at divert.
        cause: why the permission was taken, by the journal, or in words that it does not say.
        volume_m3: diverted; None when the totaliser gives none.
        released_by: who gave it back; empty for nobody.
    """

    span: Span
    cause: str
    volume_m3: float | None
    released_by: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Missing:
    """Longer than 15 minutes without a value that counts."""

    tag: str
    span: Span
    state: State
    suggested: str
    entered: str


def diversions(
    spans: Sequence[Span],
    entries: Sequence[JournalEntry],
    total: Series | None,
    rolls_over_at: float | None,
    output: str,
) -> tuple[Diversion, ...]:
    """The ledger.

    Args:
        spans: proven at divert.
        entries: the journal.
        total: totaliser of diverted water, m3.
        rolls_over_at: where it begins again.
        output: whose levels and releases count.
    """
    mine = [one for one in entries if one.subject == output]
    given = [one for one in mine if one.kind == EventKind.RELEASED.value]
    moved = {EventKind.LEVEL.value, EventKind.START_LATCHED.value}
    taken = [(one.utc_ms, _because(one)) for one in mine if one.kind in moved]
    return tuple(
        Diversion(
            span=span,
            cause=_cause(span, taken),
            volume_m3=grown(total, span, rolls_over_at) if total is not None else None,
            released_by=next((one.person for one in given if span[0] < one.utc_ms <= span[1] + _AFTER_MS), ""),
        )
        for span in spans
    )


def _because(line: JournalEntry) -> str:
    """Why a line says that the output went to its safe level; empty when it says that it came back."""
    if line.kind == EventKind.START_LATCHED.value:
        return f"start, {line.reason}"
    return str(line.facts.get("because", "")) if line.kind == EventKind.LEVEL.value else ""


def _cause(span: Span, taken: Sequence[tuple[int, str]]) -> str:
    """What took the permission last before the valve was proven at divert; else what did so first while it stood."""
    before = [why for at, why in taken if at <= span[0]]
    later = [why for at, why in taken if span[0] < at < span[1] and why]
    return (before[-1] if before else "") or (later[0] if later else "nothing in the journal")


def grown(total: Series, span: Span, rolls_over_at: float | None) -> float | None:
    """How far a totaliser has grown, from the last reading before the span; None without two usable ones."""
    usable = [value for _, value in readings_within(total, span)]
    if len(usable) < 2:  # noqa: PLR2004 - a difference needs two
        return None
    return sum(growth(before, now, rolls_over_at) for before, now in pairwise(usable))


def readings_within(series: Series, span: Span) -> list[tuple[int, float]]:
    """Usable readings of a span, and the last one before it."""
    begin, end = bisect_left(series.times, span[0]), bisect_left(series.times, span[1])
    found = [(series.times[i], series.values[i]) for i in range(begin, end) if series.states[i] <= State.UNDER]
    before = next((i for i in range(begin - 1, -1, -1) if series.states[i] <= State.UNDER), None)
    return found if before is None else [(series.times[before], series.values[before]), *found]


def missing(tag: str, pieces: Sequence[Piece], gaps: Sequence[Span], reasons: Sequence[GapReason]) -> list[Missing]:
    """Spans of more than 15 minutes without a value that counts.

    Args:
        tag: whose pieces they are.
        pieces: of the required time.
        gaps: when the gateway did not run.
        reasons: that people entered, those in force.
    """
    joined: list[tuple[int, int, State]] = []
    for begin, end, _, state in pieces:
        if state <= State.UNDER:
            continue
        if joined and joined[-1][1] == begin:
            joined[-1] = (joined[-1][0], end, joined[-1][2])
        else:
            joined.append((begin, end, State(state)))
    return [_told(tag, (b, e), state, gaps, reasons) for b, e, state in joined if e - b > GAP_MS]


def _told(tag: str, span: Span, state: State, gaps: Sequence[Span], reasons: Sequence[GapReason]) -> Missing:
    down = any(begin < span[1] and span[0] < end for begin, end in gaps)
    suggested = "calibration" if state is State.HELD else "gateway" if down else "instrument"
    mine = [one for one in reasons if one.tag in {"*", tag} and one.from_utc_ms < span[1] and span[0] < one.to_utc_ms]
    entered = mine[0].code if mine else ""
    return Missing(tag=tag, span=span, state=state, suggested=suggested, entered=entered)
