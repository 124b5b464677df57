"""The alarm's transition table as a picture and as a table, made from the table itself (``gateway/core/alarm.py``)."""

from collections.abc import Iterator

from gateway.core.alarm import MOVES, State, Trigger
from gateway.core.move import Move

_HEAD = """\
# States of an alarm

Made from the table `MOVES` in `gateway/core/alarm.py` by `make generated`; never edited by hand. An arrow is what a
trigger does, with the event it tells behind the stroke. What a trigger does not change has no arrow; what is refused
stands in the table below.
"""
_HIDDEN = """
Three reasons to hide lie over these states: SHLVD (shelved), DSUPR (suppressed by design), OOSRV (out of service).
While one of them stands the same moves are made in silence (`hidden_change`), acknowledgement and reset are refused,
and the newest state is shown again when the last of them ends: that is the trigger `emerge`. Where several stand, out
of service is shown before shelved before suppressed.
"""


def alarm_diagram() -> str:
    """Markdown: a Mermaid state diagram and the whole table."""
    return "\n".join([_HEAD, "```mermaid", "stateDiagram-v2", *_arrows(), "```", _HIDDEN, *_table(), ""])


def _arrows() -> Iterator[str]:
    yield f"    [*] --> {State.NORM.value}"
    for (state, trigger), move in MOVES.items():
        if move.to is not state or move.tells is not None:
            told = "" if move.tells is None else f" / {move.tells.value}"
            yield f"    {state.value} --> {move.to.value}: {trigger.value}{told}"


def _table() -> Iterator[str]:
    yield "| in | " + " | ".join(trigger.value for trigger in Trigger) + " |"
    yield "| --- |" + " --- |" * len(Trigger)
    for state in State:
        if (state, Trigger.RISE) in MOVES:
            yield f"| {state.value} | " + " | ".join(_cell(state, MOVES[state, one]) for one in Trigger) + " |"


def _cell(state: State, move: Move[State]) -> str:
    if move.refused:
        return f"refused: {move.refused}"
    if move.to is state and move.tells is None:
        return "-"
    return move.to.value + (f", {move.tells.value}" if move.tells is not None else "")
