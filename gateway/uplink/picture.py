"""What the uplink knows of the field process at this moment, and whether that is still alive.

Filled by whoever hears something, read by everybody in the process. Decides
one thing: when a field process counts as dead. Asks for nothing, sends nothing.
"""

import asyncio
from collections.abc import Callable, Mapping
from dataclasses import dataclass

from gateway.core.tick import Tick
from gateway.local.messages import Hello, LiveEvent, Status, TagValue, Values

DEAD_AFTER_MS = 15_000  # plant time without a new scan number
_STOPPED = "stop"  # kind of the journal entry of an orderly stop
_LEVEL = "level"  # kind of the journal entry when an output changes its level


@dataclass(frozen=True, slots=True, kw_only=True)
class Health:
    """Whether the field process is alive.

    Args:
        word: running, dead or unknown, as in the payload.
        reason: why it counts as dead.
    """

    word: str
    reason: str = ""


class Picture:
    """One for the process.

    Args:
        now: the plant's clock.
    """

    def __init__(self, now: Callable[[], Tick]) -> None:
        self._now = now
        self.hello: Hello | None = None
        self.status: Status | None = None
        self.scan = 0
        self.values: dict[str, TagValue] = {}
        self.changed: dict[str, TagValue] = {}  # since the last live message; as many as there are tags at most
        self.heard = asyncio.Event()  # set at every event and every change of the link
        self._levels: dict[str, tuple[int, str]] = {}  # output to scan and level
        self._linked = False
        self._scan_ms = 0
        self._gone_reason = ""

    @property
    def linked(self) -> bool:
        """Whether there is a connection to the field process."""
        return self._linked

    def link_up(self, hello: Hello) -> None:
        """A connection to the field process began. Values of an earlier run bear numbers that are not of this one."""
        if self.hello is None or self.hello.run != hello.run:
            self.values, self.changed, self._levels = {}, {}, {}
        self.hello, self._linked, self._gone_reason = hello, True, ""
        self._scan_ms = self._now().monotonic_ms
        self.heard.set()

    def link_down(self, reason: str) -> None:
        """The connection ended."""
        self._linked, self.status = False, None
        self._gone_reason = self._gone_reason or reason
        self.heard.set()

    def take(self, news: Values | LiveEvent) -> None:
        """Something arrived on the live feed."""
        if isinstance(news, LiveEvent):
            if news.entry.kind == _STOPPED:
                self._gone_reason = "stopped in order"
            if news.entry.kind == _LEVEL:
                self._stands(news.entry.subject, news.entry.scan, str(news.entry.facts.get("to", "")))
            self._scanned(news.entry.scan)
            self.heard.set()
            return
        self._scanned(news.scan)
        for value in news.values:
            self.values[value.tag] = self.changed[value.tag] = value

    def take_status(self, status: Status) -> None:
        """A snapshot was fetched."""
        self.status = status
        self._scanned(status.scan)
        for output in status.outputs:
            self._stands(output.output, status.scan, output.level)

    def level(self, output: str) -> str:
        """Level an output is commanded to, by the newest that was heard; empty when nothing was."""
        return self._levels.get(output, (0, ""))[1]

    def reads(self, tag: str, value: float) -> bool:
        """Whether the newest value of a tag is this one; no usable value is never it."""
        known = self.values.get(tag)
        return known is not None and known.value == value

    def give_back(self, values: Mapping[str, TagValue]) -> None:
        """Changes that could not be sent; a newer one that has come since stays."""
        self.changed = {**values, **self.changed}

    def health(self) -> Health:
        """Whether the field process is alive now."""
        if not self._linked:
            known = self.hello is not None
            return Health(word="dead" if known else "unknown", reason=self._gone_reason or "not heard of yet")
        silent_ms = self._now().monotonic_ms - self._scan_ms
        if silent_ms >= DEAD_AFTER_MS:
            return Health(word="dead", reason=f"no scan for {silent_ms // 1000} s, the last was {self.scan}")
        return Health(word="running")

    def _stands(self, output: str, scan: int, level: str) -> None:
        if level and scan >= self._levels.get(output, (0, ""))[0]:
            self._levels[output] = (scan, level)

    def _scanned(self, scan: int) -> None:
        if scan != self.scan:  # also when it starts again from 1 after a restart
            self.scan, self._scan_ms = scan, self._now().monotonic_ms
