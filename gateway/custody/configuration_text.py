"""The configurations that samples and journal lines were made under: each as the text that was hashed, and as tables.

A text is kept octet for octet, so that its SHA-256 is its name. Decides
nothing about a configuration.
"""

import csv
import json
from collections.abc import Callable, Iterator, Mapping, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from gateway.local.messages import ChunkHeader

Fetch = Callable[[str], bytes | None]

_POINTS = ("tags", "calculated", "own_tags")  # sections whose entries are tags with a unit
_RULES = ("alarms", "interlocks", "releases", "outputs")  # sections whose numbers are limits and delays


class ConfigurationFiles:
    """The configurations of one export.

    Args:
        folder: where they go, in ``configurations/``.
        fetch: the text of one; None when the record has none.
    """

    def __init__(self, folder: Path, fetch: Fetch) -> None:
        self._folder = folder / "configurations"
        self._folder.mkdir()
        self._fetch = fetch
        self._spans: dict[tuple[int, str], tuple[str, int, int]] = {}
        self._units: dict[str, Mapping[str, str]] = {}
        self._rows: list[tuple[str, str, str, str, str]] = []

    def seen(self, header: ChunkHeader) -> None:
        """A chunk names its run and configuration; the first one says from when."""
        self._spans.setdefault((header.run, header.configuration), (header.stream, header.first_n, header.first_utc_ms))
        self.units(header.configuration)

    def units(self, name: str) -> Mapping[str, str]:
        """Tag to unit under a configuration; empty when its text is not there."""
        if name not in self._units:
            text = self._fetch(name)
            self._units[name] = {} if text is None else self._take(name, text)
        return self._units[name]

    def _take(self, name: str, text: bytes) -> dict[str, str]:
        (self._folder / f"{name}.json").write_bytes(text)
        content, _ = json.loads(text)
        self._rows += [(name, section, entry, key, value) for section, entry, key, value in _limits(content)]
        return {tag: str(keys.get("unit", "")) for section in _POINTS for tag, keys in content[section].items()}

    def finish(self) -> None:
        """Write which was in force from when, the units and the limits."""
        begun = [
            (run, name, _iso(utc_ms), stream, first_n, "yes" if self._units[name] else "no")
            for (run, name), (stream, first_n, utc_ms) in self._spans.items()
        ]
        _table(
            self._folder.parent / "configurations.csv", ("run", "sha256", "from_utc", "stream", "from_n", "text"), begun
        )
        units = [(name, tag, unit) for name, tags in self._units.items() for tag, unit in tags.items()]
        _table(self._folder.parent / "units.csv", ("sha256", "tag", "unit"), units)
        _table(self._folder.parent / "limits.csv", ("sha256", "section", "name", "key", "value"), self._rows)


def _limits(content: Mapping[str, Any]) -> Iterator[tuple[str, str, str, str]]:
    for section in _RULES:
        for name, keys in content[section].items():
            for key, value in _flat(keys, ""):
                yield section, name, key, value


def _flat(value: Any, key: str) -> Iterator[tuple[str, str]]:
    """Every key that says something, dotted; what is not set is left out."""
    if isinstance(value, Mapping):
        for name, inner in value.items():
            yield from _flat(inner, f"{key}.{name}" if key else name)
    elif isinstance(value, list):
        for place, inner in enumerate(value):
            yield from _flat(inner, f"{key}[{place}]")
    elif value not in (None, ""):
        yield key, json.dumps(value) if isinstance(value, bool) else str(value)


def _table(path: Path, head: tuple[str, ...], lines: Sequence[tuple[Any, ...]]) -> None:
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(head)
        writer.writerows(lines)


def _iso(utc_ms: int) -> str:
    return datetime.fromtimestamp(utc_ms / 1_000, UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")
