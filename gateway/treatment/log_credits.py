"""Log credits of a treatment train against its targets. Pure.

Targets are met by the sum of the credits of independent barriers, each with a
surrogate that is watched continuously; a barrier outside its envelope, or one
of which that is not known, gives no credit at all, not a part of it (WE&RF
SIWM10C15, 2017, from memory).
"""

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from gateway.treatment.limits import reaches
from gateway.treatment.refusal import not_negative

SOURCE = "WE&RF SIWM10C15 (2017)"


@dataclass(frozen=True, slots=True, kw_only=True)
class Barrier:
    """One barrier of a train.

    Args:
        name: of the process.
        credits: log10 by organism, while it keeps to its envelope.
        kept: whether its surrogate shows that it does; None when that is not known.
    """

    name: str
    credits: Mapping[str, float]
    kept: bool | None = True


@dataclass(frozen=True, slots=True, kw_only=True)
class TrainCredit:
    """What a train reaches for one organism.

    Args:
        total: log10.
        target: log10.
        lost: barriers that give nothing now, though they would.
    """

    total: float
    target: float
    lost: tuple[str, ...]

    @property
    def met(self) -> bool:
        """Whether the target is reached."""
        return reaches(self.total, self.target)


def total_log(credits_given: Iterable[float]) -> float:
    """Sum of the credits of independent barriers, log10.

    Args:
        credits_given: of each barrier, from 0.

    Raises:
        NotCovered: a credit below 0.
    """
    return math.fsum(not_negative("log credit", one, SOURCE) for one in credits_given)


def train_credits(barriers: Iterable[Barrier], targets: Mapping[str, float]) -> dict[str, TrainCredit]:
    """What a train reaches for each organism that has a target.

    Args:
        barriers: of the train.
        targets: log10 by organism.

    Raises:
        NotCovered: a credit below 0.
    """
    train = list(barriers)
    return {
        organism: TrainCredit(
            total=total_log(one.credits.get(organism, 0.0) for one in train if one.kept),
            target=target,
            lost=tuple(one.name for one in train if not one.kept and one.credits.get(organism, 0.0) > 0),
        )
        for organism, target in targets.items()
    }
