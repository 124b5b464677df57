"""A counter-example as lines that a person can read, and as a file that can be run again."""

import json
from collections.abc import Iterator, Mapping, Sequence

from gateway.core.outcome import Event, EventKind, Outcome
from gateway.core.plant import Plant
from gateway.core.quality import Quality, Reason
from gateway.core.sample import Number
from gateway.prove.slices import Slice
from gateway.prove.world import Move, World

FORMAT = "purplegate counter-example 2"
_TOLD = frozenset(
    {
        EventKind.TRIP,
        EventKind.CAUSE_CLEARED,
        EventKind.CAUSE_RETURNED,
        EventKind.RESTORED,
        EventKind.BYPASS_ON,
        EventKind.BYPASS_OFF,
        EventKind.WOULD_TRIP,
        EventKind.LEVEL,
        EventKind.RETURNED,
        EventKind.RELEASED,
        EventKind.RESET,
        EventKind.FOREIGN_WRITE,
        EventKind.REESTABLISHED,
        EventKind.HOLD_ON,
        EventKind.COMMISSIONED,
        EventKind.DECOMMISSIONED,
    }
)
_ASKED: Mapping[str, str] = {
    "release": "a person releases {0} in two steps",
    "first step": "a person takes the first step of releasing {0}",
    "second step": "a person takes the second step of releasing {0}",
    "stranger's second step": "somebody else takes the second step of releasing {0}",
    "wrong role": "somebody without the role releases {0} in two steps",
    "from afar": "a person releases {0} from afar in two steps",
    "bypass": "a person bypasses {0} for as long as the site allows",
    "bypass too long": "a person asks for a bypass of {0} that is longer than the site allows",
    "end bypass": "a person ends the bypass of {0}",
    "reset": "a person asks for a reset of {0} by itself",
    "hold": "a person holds {0}",
    "end hold": "a person ends the hold of {0}",
    "commission": "a person commissions the outputs",
    "observe": "a person goes back to observing",
    "good sample": "a grab sample of good water is entered",
    "bad sample": "a grab sample of bad water is entered",
}
_RESTARTS: Mapping[str, str] = {
    "soon": "the process is killed and runs again at once",
    "late": "the process is killed and runs again after longer than it may be away",
    "other boot": "the machine starts again",
    "record lost": "the process starts without a readable record",
}


def lines_of(
    part: Slice, moves: Sequence[Move], scan_ms: int, decided_by: Plant | None = None
) -> tuple[list[str], tuple[str, ...]]:
    """The moves as a timeline, and what is wrong at its end."""
    world = World(part, scan_ms, decided_by)
    node = world.first()
    lines, now_ms = ["+0:00:00  the process starts for the first time"], 0
    wrong: tuple[str, ...] = ()
    for move in moves:
        step = world.step(node, move)
        now_ms += step.waited_ms
        said = [*_in_words(part, move), *(_events(step.outcome) if step.outcome is not None else ())]
        lines += [f"{_time(now_ms)}  {one}" for one in said]
        node, wrong = step.node, step.wrong
        if wrong:
            lines += [f"{_time(now_ms)}  WRONG: {one}" for one in wrong]
            break
    return lines, wrong


def _time(ms: int) -> str:
    seconds = ms // 1_000
    return f"+{seconds // 3600}:{seconds // 60 % 60:02}:{seconds % 60:02}"


def _in_words(part: Slice, move: Move) -> Iterator[str]:
    match move.what:
        case "water":
            one = int(move.about)
            reads = _readings(part, one) if not move.how else _reads(part, one, move.how)
            yield f"readings: {reads}"
        case "instrument":
            yield f"{move.about} " + ("falls silent" if move.how == "silent" else f"has no value: {move.how}")
        case "ask":
            yield _ASKED[move.how].format(move.about)
        case "controller":
            yield _controller(move)
        case "restart":
            yield _RESTARTS[move.how]


def _readings(part: Slice, vector: int) -> str:
    pairs = zip(part.moving, part.vectors[vector], strict=True)
    return ", ".join(f"{tag} {_reading(number)}" for tag, number in pairs)


def _reads(part: Slice, vector: int, tag: str) -> str:
    return f"{tag} {_reading(part.vectors[vector][part.moving.index(tag)])}"


def _reading(number: Number) -> str:
    if number.quality is Quality.UNCERTAIN and number.reason is Reason.OK:
        return "stands still"
    mark = f" ({number.reason.value})" if number.reason.value != "ok" else ""
    return f"{number.value:g}{mark}"


def _controller(move: Move) -> str:
    if move.how == "forgets":
        return "the controller restarts and holds nothing"
    what = "something that nobody of ours wrote" if move.how == "foreign" else "the safe code"
    return f"the controller holds {what} for {move.about}"


def _events(outcome: Outcome) -> Iterator[str]:
    for event in outcome.events:
        if event.kind in _TOLD:
            yield f"  {event.kind.value} {event.subject}{_detail(event)}".rstrip()
    for answer in outcome.answers:
        if not answer.granted:
            yield f"  refused: {answer.text}"


def _detail(event: Event) -> str:
    if event.kind is EventKind.LEVEL:
        return f": {event.facts['to']}" + (f", because {event.facts['because']}" if event.facts["because"] else "")
    return f" ({event.reason})" if event.reason else ""


def to_text(part: Slice, moves: Sequence[Move], configuration: str) -> str:
    """The file of a counter-example."""
    content = {
        "format": FORMAT,
        "configuration": configuration,
        "slice": part.name,
        "moves": [list(one) for one in moves],
    }
    return json.dumps(content, indent=1) + "\n"


class NotOurs(Exception):  # noqa: N818 - named for what is the case
    """A file is no counter-example."""


def from_text(text: str) -> tuple[str, str, list[Move]]:
    """Slice, configuration and moves of a file.

    Raises:
        NotOurs: it is none.
    """
    try:
        content = json.loads(text)
        if content["format"] != FORMAT:
            raise NotOurs(f"format {content['format']!r}, expected {FORMAT!r}")
        moves = [Move(*(str(word) for word in one)) for one in content["moves"]]
        return str(content["slice"]), str(content["configuration"]), moves
    except (ValueError, KeyError, TypeError) as error:
        raise NotOurs(f"this is no file of a counter-example ({type(error).__name__})") from error
