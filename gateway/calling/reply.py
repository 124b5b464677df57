"""What people answer to a call, read from whatever they have typed. Pure.

A code is a letter and the number of the incident: ``A118`` taken, ``G118``
going, ``W118 07:00`` wait until, ``N118`` pass it on, ``U118`` this call was of
no use. Small letters, spaces and quoted text below it do no harm; two
different codes in one answer are no answer, because nobody can tell which was
meant. Nothing that changes the plant can be said this way: an answer stops
calls, and no more.
"""

import re
from collections.abc import Iterator
from dataclasses import dataclass
from enum import Enum

_CODE = re.compile(
    r"(?<![A-Za-z0-9])([AGWNU])\s?#?(\d{1,9})(?:\s+(?:until\s+)?(\d{1,2})[:.h](\d{2}))?(?![A-Za-z0-9])", re.IGNORECASE
)
_QUOTED = ("> ", ">", "|")
_QUOTE_BEGINS = re.compile(r"^(-{2,}\s*original|on .+ wrote:|from:\s)", re.IGNORECASE)
_LONGEST = 4_000
_HOURS, _MINUTES = 24, 60


class Word(Enum):
    """What an answer says."""

    TAKEN = "A"  # I have it
    GOING = "G"  # I am on my way
    WAIT = "W"  # it can wait until then
    PASS_ON = "N"  # noqa: S105 - somebody else
    OF_NO_USE = "U"  # this call should not have been made


@dataclass(frozen=True, slots=True, kw_only=True)
class Reply:
    """One answer.

    Args:
        word: what it says.
        incident: number of the incident.
        until: hour and minute of the site's day, for WAIT; None when none was given.
    """

    word: Word
    incident: int
    until: tuple[int, int] | None = None


def read(text: str) -> Reply | None:
    """The answer in a text; None when there is none, or more than one."""
    found = {reply for line in _own_lines(text[:_LONGEST]) for reply in _replies(line)}
    return found.pop() if len(found) == 1 else None


def _own_lines(text: str) -> Iterator[str]:
    """Without what a mail program quotes below."""
    for line in text.splitlines():
        if _QUOTE_BEGINS.match(line.strip()):
            return
        if not line.lstrip().startswith(_QUOTED):
            yield line


def _replies(line: str) -> Iterator[Reply]:
    for letter, number, hour, minute in _CODE.findall(line):
        word = Word(letter.upper())
        until = (int(hour), int(minute)) if hour and word is Word.WAIT else None
        if until is None or (until[0] < _HOURS and until[1] < _MINUTES):
            yield Reply(word=word, incident=int(number), until=until)
