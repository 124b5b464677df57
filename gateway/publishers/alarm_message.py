"""Words for people who are not there: what is wrong, what the plant did, what is asked. Pure: values in, text out.

Decides the wording and its length, nothing else: never whether, when or to
whom it goes. The first part fits a text message (160 characters, ASCII), in
one fixed order:

    MARROWFELL P1 #1/1 Wed 10:31: filter water cloudy 12.7 NTU (limit 10).
    Delivery stopped, valve proven at divert. Take a grab sample.

site, priority, event/message, since when: the state in plain words (when room
is short, what stands before its colon). What the plant did by itself. What is
asked, up to a pause that still fits. Four natures are told apart whatever the
configured words are: a value beyond its limit, a value that cannot be
trusted, a valve that did not move, and a plain state. What does not fit moves
to the second part; a figure is never cut in two.
"""

import unicodedata
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime
from enum import Enum

from gateway.core.alarm import AlarmRule
from gateway.core.condition import BadQuality, Condition, Limit, Side, Tripped, Unproven
from gateway.core.interlock import InterlockRule
from gateway.core.plant import Plant
from gateway.core.quality import SENTENCES, Reason

FIRST_PART_CHARACTERS = 160

_WEEKDAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")  # not the locale's: the reader's language is configured
_LATE_FROM_S = 120
_FURTHER = "Read part 2."
_SAYS_UNTRUSTED = ("trust", "silent", "no usable value", "not known")
_PLAIN = str.maketrans(
    {"µ": "u", "μ": "u", "°": "deg ", "³": "3", "²": "2", "≥": ">=", "≤": "<=", "\u2013": "-", "\u2014": "-"}
)


class Nature(Enum):
    """What kind of news it is; decides how the state is put."""

    LIMIT = "limit"  # a trusted value is beyond its limit
    UNTRUSTED = "untrusted"  # there is no value that can be trusted
    UNMOVED = "unmoved"  # what was commanded did not move
    STATE = "state"  # anything else; the configured words say it


class Diversion(Enum):
    """Where the water goes, as far as it is known when the text is made."""

    NOT_COMMANDED = "not_commanded"  # delivery is permitted and goes on
    COMMANDED = "commanded"  # divert is commanded, the proof has not come yet
    PROVEN = "proven"  # the valve is proven at divert
    NOT_PROVEN = "not_proven"  # the time for the proof is over
    UNKNOWN = "unknown"  # the field process could not be asked


@dataclass(frozen=True, slots=True, kw_only=True)
class AlarmCard:
    """What is known of an alarm beforehand, from the configuration.

    Args:
        alarm: its id.
        priority: P1, P2 or P3.
        nature: what kind of news it is.
        says: the state in plain words, without a tag code.
        cause: what usually causes it.
        consequence: what happens if nobody acts.
        action: what the person is to do.
        respond_within_min: how long that may take.
        value_tag: whose value belongs into the text, or whose quality; empty for none.
        unit: of that value.
        limits: all limits that may have been passed, engineering units.
        side: HIGH when above is wrong.
        stops: whether the plant answers it by stopping delivery.
    """

    alarm: str
    priority: str
    nature: Nature = Nature.STATE
    says: str
    cause: str
    consequence: str
    action: str
    respond_within_min: float
    value_tag: str = ""
    unit: str = ""
    limits: tuple[float, ...] = ()
    side: Side = Side.HIGH
    stops: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class News:
    """What is known when the text is made.

    Args:
        site: name of the site as people say it.
        event: which event of the site.
        message: which message about it.
        since: when the alarm came, in the site's time zone.
        late_s: how long ago that was.
        diversion: where the water goes.
        stopped: other outputs at their safe level, in words ("feed", "supply").
        value: of the alarm's value tag; None when there is none to trust.
        reason: why there is none; code of ``core.quality.Reason``.
        put_aside: every bypass and hold that stood then, with its owner and its end; empty for none.
    """

    site: str
    event: int
    message: int
    since: datetime
    diversion: Diversion
    late_s: float = 0.0
    stopped: tuple[str, ...] = ()
    value: float | None = None
    reason: str = ""
    put_aside: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class MessageText:
    """Both parts of a message."""

    first: str
    second: str


def alarm_text(card: AlarmCard, news: News) -> MessageText:
    """The two parts of a message.

    Args:
        card: what is known of the alarm beforehand.
        news: what is known now.

    Returns:
        A first part of at most 160 ASCII characters, and a second part of any length.
    """
    head = _plain(f"{news.site.upper()} {card.priority} #{news.event}/{news.message} {_when(news.since)}: ")
    states = [_plain(_state(card, news, says)) for says in (card.says, card.says.split(": ")[0])]
    first = _first_that_fits(_candidates(head, states, _plain(_plant_did(news)), _plain(card.action)))
    return MessageText(first=first, second=_plain(_second(card, news)))


# --- first part ------------------------------------------------------------------------------------------------


def _when(since: datetime) -> str:
    return f"{_WEEKDAYS[since.weekday()]} {since:%H:%M}"


def _state(card: AlarmCard, news: News, words: str) -> str:
    says = words.rstrip(". ")
    match card.nature:
        case Nature.LIMIT:
            return f"{says}{_figures(card, news.value)}."
        case Nature.UNTRUSTED:
            told = any(word in says.lower() for word in _SAYS_UNTRUSTED)
            return f"{says}." if told else f"{says}: the reading cannot be trusted."
        case Nature.UNMOVED:
            told = "did not move" in says.lower()
            return f"{says}." if told else f"{says}: the valve did not move."
        case Nature.STATE:
            return f"{says}."


def _figures(card: AlarmCard, value: float | None) -> str:
    limit = passed_limit(card, value)
    if value is None:
        return "" if limit is None else f" (limit {limit:g} {card.unit}".rstrip() + ")"
    shown = f" {readable(value, limit)} {card.unit}".rstrip()
    return shown if limit is None else f"{shown} (limit {limit:g})"


def passed_limit(card: AlarmCard, value: float | None) -> float | None:
    """The farthest limit that the value is beyond; the nearest one when it is beyond none (any more)."""
    outward = sorted(card.limits, reverse=card.side is Side.LOW)
    if not outward:
        return None
    passed = [limit for limit in outward if value is not None and _beyond(value, limit, card.side)]
    return passed[-1] if passed else outward[0]


def _beyond(value: float, limit: float, side: Side) -> bool:
    return value > limit if side is Side.HIGH else value < limit


def readable(value: float, limit: float | None) -> str:
    """A value with three figures, or as many as it takes to tell it from its limit."""
    texts = (f"{value:.{digits}f}" for digits in range(max(0, _decimals(value)), 7))
    for text in texts:
        if limit is None or value == limit or float(text) != limit:
            return text
    return f"{value:g}"


def _decimals(value: float) -> int:
    magnitude = abs(value)
    if magnitude == 0:
        return 0
    return 1 if magnitude >= 10 else 2 if magnitude >= 1 else 3  # noqa: PLR2004 - three figures: 12.7, 1.20, 0.450


def _plant_did(news: News) -> str:
    stopped = f"{_joined(news.stopped)} stopped" if news.stopped else ""
    match news.diversion:
        case Diversion.PROVEN:
            sentence = "Delivery stopped, valve proven at divert"
        case Diversion.COMMANDED:
            sentence = "Divert commanded, not proven yet"
        case Diversion.NOT_PROVEN:
            sentence = "Divert commanded, NOT PROVEN"
        case Diversion.NOT_COMMANDED:
            sentence = "Delivery goes on"
        case Diversion.UNKNOWN:
            sentence = "What the plant did is not known"
    return f"{sentence}; {stopped}." if stopped else f"{sentence}."


def _joined(names: Iterable[str]) -> str:
    *before, last = names
    return f"{', '.join(before)} and {last}" if before else last


def _candidates(head: str, states: list[str], did: str, action: str) -> Iterator[str]:
    """From the richest to the poorest; head, what the plant did and the gist of the state are never given up."""
    asked = action[:1].upper() + action[1:].rstrip(". ")
    whole, gist = states
    yield f"{head}{whole} {did} {asked}."
    yield f"{head}{gist} {did} {asked}."
    for part in _beginnings(asked):
        yield f"{head}{gist} {did} {part} .."
    yield f"{head}{gist} {did} {_FURTHER}"
    room = FIRST_PART_CHARACTERS - len(f"{head} {did} {_FURTHER}")
    yield f"{head}{_cut(gist, room)} {did} {_FURTHER}"
    yield _cut(f"{head}{gist}", FIRST_PART_CHARACTERS)


def _beginnings(sentence: str) -> list[str]:
    """What a sentence says up to each of its pauses, the longest first."""
    ends = [
        place for place, letter in enumerate(sentence) if letter in ".,;" and sentence[place + 1 : place + 2] == " "
    ]
    return [sentence[:end] for end in reversed(ends)]


def _first_that_fits(candidates: Iterable[str]) -> str:
    *_, last = everything = list(candidates)
    return next((text for text in everything if len(text) <= FIRST_PART_CHARACTERS), last)


def _cut(text: str, room: int) -> str:
    """The text up to a whole word, with a mark that it goes on."""
    if len(text) <= room:
        return text
    words = text[: max(0, room - 2)].rsplit(" ", 1)[0]
    return f"{words.rstrip(' .,;:(')} .."[: max(0, room)]


# --- second part -----------------------------------------------------------------------------------------------


def _second(card: AlarmCard, news: News) -> str:
    return " ".join(sentence for sentence in _sentences(card, news) if sentence)


def _sentences(card: AlarmCard, news: News) -> Iterator[str]:
    yield (
        f"{_ended(card.says)}"
        if card.nature is not Nature.LIMIT
        else _ended(f"{card.says}{_figures(card, news.value)}")
    )
    if news.reason and news.value is None:
        yield f"Why it cannot be trusted: {_ended(_reason(news.reason))}"
    yield f"Usual cause: {_ended(card.cause)}"
    yield f"If nobody acts: {_ended(card.consequence)}"
    yield f"Please, within {_span(card.respond_within_min * 60)}: {_ended(card.action)}"
    if news.put_aside:
        yield f"Put aside by people: {_ended(news.put_aside)}"
    if news.late_s >= _LATE_FROM_S:
        yield f"Told late: this is {_span(news.late_s)} old."


def _reason(code: str) -> str:
    try:
        return SENTENCES[Reason(code)]
    except ValueError:
        return code.replace("_", " ")


def _ended(text: str) -> str:
    return text.rstrip(". ") + "."


def _span(seconds: float) -> str:
    minutes = round(seconds / 60)
    return f"{minutes} min" if minutes < 120 else f"{round(minutes / 60)} h"  # noqa: PLR2004 - "119 min", then hours


def _plain(text: str) -> str:
    """ASCII: one odd letter would halve the room of a text message."""
    spaced = " ".join(unicodedata.normalize("NFKD", text.translate(_PLAIN)).split()) + (
        " " if text.endswith(" ") else ""
    )
    return "".join(c for c in spaced if not unicodedata.combining(c)).encode("ascii", "replace").decode("ascii")


# --- cards from the rules --------------------------------------------------------------------------------------


def cards(plant: Plant) -> dict[str, AlarmCard]:
    """A card for every alarm of the plant, by alarm id."""
    units = {rule.tag: rule.unit for rule in plant.points}
    interlocks = {rule.id: rule for rule in plant.interlocks}
    permits = frozenset(rule.id for rule in plant.outputs if rule.permit)
    return {rule.id: _card(rule, interlocks, permits, units) for rule in plant.alarms}


def _card(
    rule: AlarmRule, interlocks: Mapping[str, InterlockRule], permits: frozenset[str], units: Mapping[str, str]
) -> AlarmCard:
    interlock = interlocks.get(rule.condition.interlock) if isinstance(rule.condition, Tripped) else None
    inputs = _inputs(interlock) if interlock is not None else (rule.condition,)
    limits = tuple(i for i in inputs if isinstance(i, Limit))
    tag = rule.value_tag or next((i.tag for i in inputs if isinstance(i, Limit | BadQuality)), "")
    return AlarmCard(
        alarm=rule.id,
        priority=rule.priority.value,
        nature=nature_of(inputs),
        says=rule.text.says,
        cause=rule.text.cause,
        consequence=rule.text.consequence,
        action=rule.text.action,
        respond_within_min=rule.text.respond_within_ms / 60_000,
        value_tag=tag,
        unit=units.get(tag, ""),
        limits=tuple(i.limit for i in limits),
        side=limits[0].side if limits else Side.HIGH,
        stops=interlock is not None and any(effect.output in permits for effect in interlock.effects),
    )


def _inputs(interlock: InterlockRule) -> tuple[Condition, ...]:
    return tuple(condition for cause in interlock.causes for condition in cause.inputs)


def nature_of(inputs: tuple[Condition, ...]) -> Nature:
    """What kind of news it is when these conditions make an alarm."""
    if any(isinstance(i, Unproven) for i in inputs):
        return Nature.UNMOVED
    if inputs and all(isinstance(i, BadQuality) for i in inputs):
        return Nature.UNTRUSTED
    if any(isinstance(i, Limit) for i in inputs):
        return Nature.LIMIT
    return Nature.STATE
