"""What is different between two configurations, key by key, for the journal. Pure: two texts in, a list out.

Works on the texts that are kept and hashed (``reading.canonical_text``). An
earlier one gets today's keys with their defaults where it still fits the
schema, so that a new program alone is no difference; where it does not fit, it
is compared as it stands. Judges nothing:
every key counts, whether it moves a limit or a word. An entry that one side
does not have at all is one difference, and so is a list whose items moved.
"""

import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from pydantic import ValidationError

from gateway.configuration.reading import canonical_text
from gateway.configuration.schema import Site

ABSENT = "(not there)"
PRESENT = "(there)"
_ORDER = "order"


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """One difference.

    Args:
        section: top-level key, such as ``alarms``.
        entry: name within a section of names, such as an alarm's id; empty elsewhere.
        key: of the entry, dotted, such as ``condition.limit``; empty when the whole entry came or went.
        old: before, as JSON for what is no plain value.
        new: now.
    """

    section: str
    entry: str
    key: str
    old: str | float
    new: str | float


class NotReadable(Exception):  # noqa: N818 - named for what is the case
    """A text is no configuration as it is kept; the text says why."""


def changes(before: str, after: str) -> list[Change]:
    """Every difference, in the order of sections, entries and keys.

    Raises:
        NotReadable: one of the texts is no configuration.
    """
    (old, old_order), (new, new_order) = _parts(before), _parts(after)
    old = _filled(old)
    found = [
        change
        for section in sorted({*old, *new})
        for change in _section(section, old, new, of_names=section in new_order)
    ]
    return [*found, *_moved(old_order, new_order)]


def _parts(text: str) -> tuple[dict[str, Any], dict[str, Any]]:
    try:
        content, order = json.loads(text)
        return dict(content), dict(order)
    except (ValueError, TypeError) as error:
        raise NotReadable(f"the kept configuration cannot be read: {error}") from error


def _filled(content: dict[str, Any]) -> dict[str, Any]:
    """With the keys that today's schema has and that of its time had not, at their defaults."""
    try:
        return _parts(canonical_text(Site.model_validate_json(json.dumps(content))))[0]
    except ValidationError:
        return content


def _section(section: str, old: Mapping[str, Any], new: Mapping[str, Any], *, of_names: bool) -> Iterator[Change]:
    before, after = old.get(section, _Absent), new.get(section, _Absent)
    if not (of_names and isinstance(before, dict) and isinstance(after, dict)):
        yield from _different(section, "", "", before, after)
        return
    for entry in sorted({*before, *after}):
        if entry in before and entry in after:
            yield from _different(section, entry, "", before[entry], after[entry])
        else:
            here, there = (PRESENT if entry in one else ABSENT for one in (before, after))
            yield Change(section=section, entry=entry, key="", old=here, new=there)


def _different(section: str, entry: str, key: str, before: object, after: object) -> Iterator[Change]:
    """Every leaf that differs; a side that has no such key is told so."""
    if isinstance(before, dict) and isinstance(after, dict):
        for name in sorted({*before, *after}):
            inner = f"{key}.{name}" if key else str(name)
            yield from _different(section, entry, inner, before.get(name, _Absent), after.get(name, _Absent))
    elif _written(before) != _written(after):
        yield Change(section=section, entry=entry, key=key, old=_plain(before), new=_plain(after))


class _Absent:
    """Stands for a key that is not there."""


def _written(value: object) -> str:
    """As it stands in the text: what is equal here and written otherwise (false and 0) is a difference."""
    return "" if value is _Absent else json.dumps(value, sort_keys=True)


def _plain(value: object) -> str | float:
    if value is _Absent:
        return ABSENT
    if isinstance(value, str | int | float):
        return value
    return json.dumps(value, sort_keys=True)


def _moved(before: Mapping[str, Any], after: Mapping[str, Any]) -> Iterator[Change]:
    """Alarms and interlocks are judged in listed order: another order of the same names is a difference."""
    for section in sorted(after):
        kept = [name for name in before.get(section, ()) if name in after[section]]
        now = [name for name in after[section] if name in before.get(section, ())]
        if kept != now:
            yield Change(section=section, entry="", key=_ORDER, old=", ".join(kept), new=", ".join(now))
