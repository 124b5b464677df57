"""What is wrong in a site folder, and where: a line for the person who has to put it right.

Decides how a fault reads. It never decides what is a fault.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from difflib import get_close_matches

KeyPath = tuple[str | int, ...]
"""Keys and list positions from the top of the folder down to a value."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    """One fault or warning.

    Args:
        file: file it stands in (or the folder).
        line: line of the key, counted from 1.
        key: dotted path of the key, empty for a whole file.
        found: what stands there.
        allowed: what may stand there.
        advice: what to do.
    """

    file: str
    line: int
    key: str
    found: str
    allowed: str
    advice: str = ""

    def __str__(self) -> str:
        where = f"{self.file}:{self.line}: {self.key}: " if self.key else f"{self.file}:{self.line}: "
        text = f"{where}found {self.found}; allowed: {self.allowed}"
        return f"{text}\n    {self.advice}" if self.advice else text


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """A fault (or a warning) before it is known in which file and line its key stands.

    Args:
        path: the key.
        found: what stands there.
        allowed: what may stand there.
        advice: what to do.
        warning: unwise, but it works.
        missing_from: sections in which something was looked for and not found; with an
            entry of these left out for a fault of its own, nothing can be said.
    """

    path: KeyPath
    found: str
    allowed: str
    advice: str = ""
    warning: bool = False
    missing_from: frozenset[str] = frozenset()


class Refused(Exception):  # noqa: N818 - named for what is the case
    """A site folder cannot be used; carries every fault that was found.

    Args:
        faults: all of them, in the order of files and lines.
    """

    def __init__(self, faults: Sequence[Fault]) -> None:
        self.faults = tuple(faults)
        super().__init__("\n".join(str(fault) for fault in self.faults))


def in_order(faults: Iterable[Fault]) -> tuple[Fault, ...]:
    """Faults by file and line, each said once."""
    return tuple(sorted(dict.fromkeys(faults), key=lambda fault: (fault.file, fault.line, fault.key)))


def undeclared(path: KeyPath, name: str, section: str, declared: Iterable[str]) -> Finding:
    """A name is used at ``path`` that ``section`` does not declare."""
    nearest = get_close_matches(name, list(declared), n=1, cutoff=0.4)
    return Finding(
        path=path,
        found=f'"{name}", which is not declared',
        allowed=f"a name declared under {section}",
        advice=f"Did you mean {nearest[0]}?" if nearest else f"Declare it under {section}.",
    )


def dotted(path: KeyPath) -> str:
    """A path as people write it: ``interlocks.I-01.causes[0].trip_delay_s``."""
    text = ""
    for part in path:
        text += f"[{part}]" if isinstance(part, int) else f".{part}" if text else part
    return text
