"""The gateway's own tags in the direct gear: lines and devices by who answered, the rest as the plant tells it.

Decides each figure from what was asked and what came. There is no line to be
busy, no store in which rows wait and no record that could fail: those are 0.
"""

from collections import defaultdict
from collections.abc import Callable, Iterator

from gateway.configuration.schema import OwnTag, Site
from gateway.core.quality import Reason
from gateway.core.sample import NoNumber, Reading
from gateway.core.scaling import to_reading
from gateway.field.own_tags import scaling_of

Figures = Callable[[str], float | None]
"""Name of a figures file to its number; None when there is no such file."""


class DirectHealth:
    """Counts who answered, and tells the own tags that are due.

    Args:
        site: whose own tags.
        figures: numbers of the figures files.
        start_ms: monotonic time of the start.
        checks_overdue: how many instruments' checks are overdue.
    """

    def __init__(self, site: Site, figures: Figures, start_ms: int, *, checks_overdue: Callable[[], float]) -> None:
        self._checks_overdue = checks_overdue
        self._site = site
        self._figures = figures
        self._heard_ms = dict.fromkeys(site.devices, start_ms)
        self._asked: dict[str, int] = defaultdict(int)
        self._failed: dict[str, int] = defaultdict(int)
        self._due_ms = dict.fromkeys(site.own_tags, start_ms)
        self._known: dict[str, tuple[float | Reason, Reading]] = {}
        self._scalings = {name: scaling_of(own) for name, own in site.own_tags.items()}

    def answered(self, device: str, *, well: bool, now_ms: int) -> None:
        """A device was asked."""
        if well:
            self._heard_ms[device] = now_ms
        for name in (device, self._site.devices[device].connection):
            self._asked[name] += 1
            if not well:
                self._failed[name] += 1

    def due(self, now_ms: int) -> Iterator[tuple[str, Reading]]:
        """The own tags that are due, with their readings."""
        due = [name for name, due_ms in self._due_ms.items() if due_ms <= now_ms]
        for name in due:
            own = self._site.own_tags[name]
            self._due_ms[name] = now_ms + round(own.read_interval_s * 1_000)
            figure = self._figure(own, now_ms)
            yield name, self._reading(name, figure)
        if due:
            self._asked.clear()
            self._failed.clear()

    def _reading(self, name: str, figure: float | Reason) -> Reading:
        """The same figure is the same reading."""
        known = self._known.get(name)
        if known is not None and known[0] == figure:
            return known[1]
        reading = NoNumber(figure) if isinstance(figure, Reason) else to_reading(figure, self._scalings[name])
        self._known[name] = (figure, reading)
        return reading

    def _figure(self, own: OwnTag, now_ms: int) -> float | Reason:
        of = own.of or ""
        match own.figure:
            case "device_silent_s":
                return (now_ms - self._heard_ms[of]) / 1_000
            case "line_failed_percent" | "device_failed_percent":
                return 100.0 * self._failed[of] / max(1, self._asked[of])
            case "device_reply_ms":
                return Reason.NO_ANSWER if self._failed[of] else self._site.devices[of].reply_s * 1_000
            case "line_open":
                return 1.0
            case "line_busy_percent" | "rows_waiting" | "record_failing_s":
                return 0.0
            case "checks_overdue" | "file":
                figure = self._figures(own.file or "") if own.figure == "file" else self._checks_overdue()
                return Reason.NO_FIGURE if figure is None else figure
