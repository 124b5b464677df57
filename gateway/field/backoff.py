"""When something that failed is tried again: later each time, never later than a ceiling, never in step with others."""

from random import Random

_JITTER = 0.2  # each delay is up to a fifth shorter or longer, so that sites and devices do not fall into step


class BackOff:
    """The delay after failures in a row.

    Args:
        first_s: delay after the first failure, plant seconds; it doubles with every further one.
        ceiling_s: the longest delay before jitter, plant seconds.
        random: source of the jitter; give a seeded one where a run must repeat.

    Attributes:
        failures: how many in a row.
        again_ms: plant time of the next attempt; in the past when there is nothing to wait for.
    """

    def __init__(self, *, first_s: float, ceiling_s: float, random: Random) -> None:
        self._first_s = first_s
        self._ceiling_s = ceiling_s
        self._random = random
        self.failures = 0
        self.again_ms = 0

    def failed(self, now_ms: int) -> None:
        """Count a failure and put off the next attempt."""
        doubled_s = self._first_s * 2.0 ** min(self.failures, 32)
        delay_s = min(self._ceiling_s, doubled_s) * self._random.uniform(1 - _JITTER, 1 + _JITTER)
        self.failures += 1
        self.again_ms = now_ms + round(delay_s * 1_000)

    def succeeded(self) -> None:
        """Forget the failures; only a good reply may call this, a mere connection is none."""
        self.failures = 0
        self.again_ms = 0

    def closed(self, now_ms: int) -> bool:
        """Whether it is too early for the next attempt."""
        return now_ms < self.again_ms
