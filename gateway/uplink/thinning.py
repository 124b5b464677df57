"""Which readings are worth sending upstream. Pure.

The store keeps every reading; upstream goes what changes the picture. A
reading is reported when its value is further from the last reported one of its
tag than the dead band, when quality or reason are others, and when the tag has
not been reported for long. Receivers may hold a reading until the next of its
tag: they are never wrong by more than the dead band.

A receiver that draws a line from reading to reading would turn a jump after a
quiet hour into an hour's ramp. So the last reading before a jump is reported
with it, when it had been held back. That costs a few octets for each jump and
nothing for a drift, and keeps such a line within three dead bands of every
reading. It may bear a number from before the batch it is reported in.

What has been reported is remembered here and nowhere else: ``forget`` (after a
restart, after a delivery that failed) only makes tags be reported once more.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from operator import attrgetter

from gateway.publishers.payload import SampleRow


@dataclass(frozen=True, slots=True, kw_only=True)
class ReportRule:
    """When a tag is reported.

    Args:
        deadband: a change of at most this much, in the tag's unit, is none.
        at_least_ms: after so long it is reported without a change.
    """

    deadband: float = 0.0
    at_least_ms: int = 3_600_000


_UNKNOWN = ReportRule()  # a tag of another configuration: every change of its value


class Thinning:
    """What was reported of each tag last, and what was held back since.

    Args:
        rules: of the tags; one that is missing is reported at every change.
    """

    def __init__(self, rules: Mapping[str, ReportRule]) -> None:
        self._rules = rules
        self._reported: dict[str, SampleRow] = {}
        self._held_back: dict[str, SampleRow] = {}

    def forget(self) -> None:
        """Begin anew: the next reading of every tag is reported."""
        self._reported.clear()
        self._held_back.clear()

    def pick(self, rows: Iterable[SampleRow]) -> Sequence[SampleRow]:
        """Those to be reported, ascending in n; they count as reported from now on.

        Args:
            rows: what comes next, ascending in n.
        """
        picked: list[SampleRow] = []
        for row in rows:
            tag = row.tag
            reported, rule = self._reported.get(tag), self._rules.get(tag, _UNKNOWN)
            changed = reported is None or _differ(row, reported, rule.deadband)
            if reported is not None and not changed and 0 <= row.utc_ms - reported.utc_ms < rule.at_least_ms:
                self._held_back[tag] = row
                continue
            before = self._held_back.pop(tag, None)
            if before is not None and changed and _differ(row, before, rule.deadband):
                picked.append(before)
            self._reported[tag] = row
            picked.append(row)
        return sorted(picked, key=attrgetter("n"))


def _differ(one: SampleRow, other: SampleRow, deadband: float) -> bool:
    if one.quality != other.quality or one.reason != other.reason:
        return True
    if isinstance(one.value, float) and isinstance(other.value, float):
        return abs(one.value - other.value) > deadband
    return one.value != other.value
