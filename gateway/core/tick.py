"""One instant, as the decisions see it.

Durations use ``monotonic_ms`` alone and records use ``utc_ms`` alone; nothing
in the core ever asks what time it is. Milliseconds are integers so that a
delay falls due exactly and a replay compares equal.
"""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Tick:
    """An instant on both clocks.

    Args:
        monotonic_ms: milliseconds that only ever go forward within a run.
        utc_ms: milliseconds since 1970-01-01 UTC, as good as the box knows.
        utc_trusted: whether the wall clock has been confirmed by a source.
    """

    monotonic_ms: int
    utc_ms: int
    utc_trusted: bool = True
