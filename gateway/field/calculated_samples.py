"""Calculated values as samples, so that they are numbered, recorded and sent like readings. Pure.

Decides when one is due. The decisions never look at these samples; a replay
calculates afresh.
"""

from collections.abc import Iterable, Iterator, Mapping

from gateway.core.calculation import CalculationRule
from gateway.core.quality import Reason
from gateway.core.sample import NoNumber, Reading, Sample
from gateway.core.tick import Tick
from gateway.core.validity import AWAITED, Awaited, Held, Verdict


class CalculatedSamples:
    """Each calculated tag once in its ``record_interval_ms``, from the first scan in which it is not awaited.

    Args:
        rules: of the calculated tags.
    """

    def __init__(self, rules: Iterable[CalculationRule]) -> None:
        self._interval_ms = {rule.about.tag: rule.record_interval_ms for rule in rules}
        self._due_ms: dict[str, int] = {}

    def due(self, verdicts: Mapping[str, Verdict], now: Tick) -> Iterator[Sample]:
        """What is to be recorded of this scan.

        Args:
            verdicts: of all tags in this scan.
            now: this scan.
        """
        for tag, interval_ms in self._interval_ms.items():
            reading = _reading(verdicts.get(tag, AWAITED))
            if reading is not None and now.monotonic_ms >= self._due_ms.get(tag, now.monotonic_ms):
                self._due_ms[tag] = now.monotonic_ms - now.monotonic_ms % interval_ms + interval_ms
                yield Sample(tag=tag, reading=reading, arrived=now, source_utc_ms=now.utc_ms)


def _reading(verdict: Verdict) -> Reading | None:
    """A verdict as a reading; None while nothing is known."""
    if isinstance(verdict, Held):
        return NoNumber(Reason.HOLD)
    return None if isinstance(verdict, Awaited) else verdict
