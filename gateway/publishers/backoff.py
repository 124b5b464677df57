"""Pauses between attempts to reach a receiver. Decides nothing else."""

import random
from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Backoff:
    """Pauses between attempts, real seconds: doubling up to a ceiling, each up to half shorter at random."""

    first_s: float = 1.0
    ceiling_s: float = 60.0
    steady_s: float = 30.0  # a connection that lasted this long starts the next series afresh

    def pause_s(self, failures: int) -> float:
        """How long to wait after so many failures in a row (1 for the first)."""
        full_s = min(self.ceiling_s, self.first_s * 2.0 ** min(failures - 1, 30))
        return full_s * random.uniform(0.5, 1.0)  # noqa: S311 - spreads reconnects of many sites, guards nothing
