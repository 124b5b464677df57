"""One entry of a machine's table: what a trigger does in a state."""

from dataclasses import dataclass
from typing import Generic, TypeVar

from gateway.core.outcome import EventKind

S = TypeVar("S")


@dataclass(frozen=True, slots=True)
class Move(Generic[S]):
    """What a trigger does: the next state and what is told, or why it is refused.

    Args:
        to: the next state; the same one where nothing changes.
        tells: the event that is told; None for none.
        refused: the reason code of a refusal, which changes and tells nothing.
    """

    to: S
    tells: EventKind | None = None
    refused: str = ""
