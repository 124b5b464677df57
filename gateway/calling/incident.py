"""One incident on its way to people: gathered, called, answered, over. Pure: a table, and one step that reads it.

An incident is what people are called about: an alarm, or all alarms of one
cause. Time is an argument; the same inputs at the same moments give the same
calls. An answer ends the calling and nothing else: it clears, resets and
releases nothing, and the incident goes on until its alarms are gone.

    GATHERING --time--> CALLING --taken, going, wait--> ANSWERED
        |                  ^  |                          |   |
        |                  +--+-- passed on, worse and --+   |
     all gone              |      nobody answers             |
        v               all gone                          all gone
       OVER <---------------+--------------------------------+

Whoever has been told hears that it is over. Gone while it was still gathered,
it was never told, and stands in the digest alone.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from enum import Enum

from gateway.calling.policy import Ladder, Policy
from gateway.calling.reply import Word

Occurrence = tuple[str, int]
"""An alarm and the number of its occurrence."""


class Phase(Enum):
    """Where an incident stands with people."""

    GATHERING = "gathering"  # nobody has been told yet; effects of the same cause join
    CALLING = "calling"  # told, and nobody has answered
    ANSWERED = "answered"  # somebody has it
    OVER = "over"  # its alarms are gone


class Why(Enum):
    """Why a message goes out."""

    FIRST = "first"
    REPEAT = "repeat"  # nobody has answered; the same role again, or the next
    WORSE = "worse"  # another class of consequence, or of time left
    REMINDER = "reminder"  # answered long ago, and nothing has changed
    CONFIRMATION = "confirmation"  # your answer has arrived, and this is what it means
    TAKEN = "taken"  # to the others who were told: somebody has it
    ALL_CLEAR = "all_clear"


@dataclass(frozen=True, slots=True, order=True, kw_only=True)
class Stakes:
    """What is at stake, in classes; a larger number is worse.

    Args:
        consequence: 0 nothing yet, 1 record or comfort, 2 supply or overflow, 3 unfit water may reach people.
        haste: 0 no end in sight or none known, 1 within a day, 2 within four hours, 3 within an hour.
    """

    consequence: int = 0
    haste: int = 0

    def worse_than(self, other: "Stakes") -> bool:
        """Whether either class is worse."""
        return self.consequence > other.consequence or self.haste > other.haste


@dataclass(frozen=True, slots=True, kw_only=True)
class Moment:
    """An instant as the rules need it.

    Args:
        monotonic_ms: durations are measured by it.
        minute_of_day: of the site's day, for quiet hours and for "wait until".
    """

    monotonic_ms: int
    minute_of_day: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Incident:
    """What is remembered of one incident.

    Args:
        number: by which people name it.
        priority: of its most urgent alarm.
        began_ms: when its first alarm came, monotonic.
        alarms: its alarms, and whether each still stands; the first one names it.
        phase: where it stands.
        due_ms: when the next step of the ladder, the reminder, or the end of the patience after "worse" falls due.
        step: of the ladder, the next one.
        messages: how many messages have gone out.
        told: people who have been told, in order.
        taken_by: who has it; empty when nobody does.
        told_stakes: what the last message about stakes said.
        stakes: what is at stake now.
        worse_pending: told to be worse, and not answered since.
    """

    number: int
    priority: str
    began_ms: int
    alarms: Mapping[Occurrence, bool]
    phase: Phase = Phase.GATHERING
    due_ms: int = 0
    step: int = 0
    messages: int = 0
    told: tuple[str, ...] = ()
    taken_by: str = ""
    told_stakes: Stakes = field(default_factory=Stakes)
    stakes: Stakes = field(default_factory=Stakes)
    worse_pending: bool = False

    @property
    def stands(self) -> bool:
        """Whether any of its alarms still stands."""
        return any(self.alarms.values())


@dataclass(frozen=True, slots=True, kw_only=True)
class Call:
    """One message to go out now.

    Args:
        incident: its number.
        message: which one about it, from 1.
        why: why.
        roles: who is called by role; the rota says who that is.
        people: who is told by name.
    """

    incident: int
    message: int
    why: Why
    roles: tuple[str, ...] = ()
    people: tuple[str, ...] = ()


Stepped = tuple[Incident, tuple[Call, ...]]


def begin(policy: Policy, *, number: int, priority: str, alarm: Occurrence, now: Moment) -> Incident:
    """A new incident; its first message goes out when the gathering is over and no quiet hours are on."""
    ladder = policy.ladders.get(priority)
    wait_ms = policy.gathers_ms if ladder is None else max(policy.gathers_ms, ladder.steps[0].after_ms)
    if ladder is not None and ladder.quiet is not None:
        wait_ms = max(wait_ms, ladder.quiet.over_in_ms(now.minute_of_day))
    began_ms = now.monotonic_ms
    return Incident(
        number=number, priority=priority, began_ms=began_ms, alarms={alarm: True}, due_ms=began_ms + wait_ms
    )


def joined(incident: Incident, alarm: Occurrence, priority: str) -> Incident:
    """With one more alarm of the same cause; the more urgent priority counts."""
    return replace(incident, alarms={**incident.alarms, alarm: True}, priority=min(priority, incident.priority))


def gone(incident: Incident, alarm: Occurrence) -> Incident:
    """With one of its alarms gone; ``passed`` tells what follows from that."""
    if not incident.alarms.get(alarm, False):
        return incident
    return replace(incident, alarms={**incident.alarms, alarm: False})


def reached(incident: Incident, people: Iterable[str]) -> Incident:
    """These people have been handed a message; they will hear how it ends."""
    return replace(incident, told=tuple(dict.fromkeys((*incident.told, *people))))


def passed(policy: Policy, incident: Incident, stakes: Stakes, now: Moment) -> Stepped:
    """What time and the plant bring about; asked at every look, however seldom that is.

    Args:
        policy: how the site calls.
        incident: as it was left.
        stakes: what is at stake now.
        now: the moment.
    """
    incident = replace(incident, stakes=stakes)
    if incident.phase is Phase.OVER:
        return incident, ()
    if not incident.stands:
        return _ended(incident)
    if incident.phase is not Phase.GATHERING and stakes.worse_than(incident.told_stakes):
        return _got_worse(policy, incident, now)
    if now.monotonic_ms < incident.due_ms:
        return incident, ()
    return _DUE[incident.phase](policy, incident, now)


def answered(policy: Policy, incident: Incident, now: Moment, *, person: str, word: Word, wait_ms: int = 0) -> Stepped:
    """What an answer brings about.

    Args:
        policy: how the site calls.
        incident: as it was left.
        now: the moment.
        person: who answers.
        word: what the answer says.
        wait_ms: for WAIT, how long from now.
    """
    if incident.phase in {Phase.GATHERING, Phase.OVER} or word is Word.OF_NO_USE:
        return _said(incident, Why.CONFIRMATION, people=(person,))
    if word is Word.PASS_ON:
        return _passed_on(policy, incident, person, now)
    return _taken(policy, incident, now, person=person, wait_ms=wait_ms if word is Word.WAIT else 0)


# --- what happens ----------------------------------------------------------------------------------------------


def _said(incident: Incident, why: Why, *, roles: tuple[str, ...] = (), people: tuple[str, ...] = ()) -> Stepped:
    number = incident.messages + 1
    call = Call(incident=incident.number, message=number, why=why, roles=roles, people=people)
    return replace(incident, messages=number), (call,)


def _ended(incident: Incident) -> Stepped:
    over = replace(incident, phase=Phase.OVER)
    return _said(over, Why.ALL_CLEAR, people=incident.told) if incident.told else (over, ())


def _got_worse(policy: Policy, incident: Incident, now: Moment) -> Stepped:
    """Whoever has it is told, and called again if he does not answer; else everybody who was told."""
    due_ms = incident.due_ms
    pending = incident.phase is Phase.ANSWERED
    if pending:
        due_ms = now.monotonic_ms + policy.answers_worse_ms
    people = (incident.taken_by,) if incident.taken_by else incident.told
    after = replace(incident, told_stakes=incident.stakes, due_ms=due_ms, worse_pending=pending)
    return _said(after, Why.WORSE, people=people)


def _first(policy: Policy, incident: Incident, now: Moment) -> Stepped:
    ladder = policy.ladders.get(incident.priority)
    if ladder is None:  # nobody is called for it; it stands in the digest
        return replace(incident, due_ms=now.monotonic_ms + policy.reminds_ms), ()
    after = replace(incident, phase=Phase.CALLING, told_stakes=incident.stakes)
    return _next_step(ladder, after, now, Why.FIRST)


def _again(policy: Policy, incident: Incident, now: Moment) -> Stepped:
    return _next_step(policy.ladders[incident.priority], incident, now, Why.REPEAT)


def _next_step(ladder: Ladder, incident: Incident, now: Moment, why: Why) -> Stepped:
    place = min(incident.step, len(ladder.steps) - 1)
    following = place + 1
    if following < len(ladder.steps):
        gap_ms = ladder.steps[following].after_ms - ladder.steps[place].after_ms
    else:
        gap_ms = ladder.repeat_ms
    after = replace(incident, step=following, due_ms=now.monotonic_ms + gap_ms)
    return _said(after, why, roles=(ladder.steps[place].role,))


def _long_answered(policy: Policy, incident: Incident, now: Moment) -> Stepped:
    if incident.worse_pending:  # whoever has it does not answer any more
        after = replace(incident, phase=Phase.CALLING, taken_by="", worse_pending=False)
        return _again(policy, after, now)
    after = replace(incident, due_ms=now.monotonic_ms + policy.reminds_ms)
    return _said(after, Why.REMINDER, people=(incident.taken_by,))


def _passed_on(policy: Policy, incident: Incident, person: str, now: Moment) -> Stepped:
    if incident.phase is Phase.ANSWERED and incident.taken_by != person:
        return _said(incident, Why.CONFIRMATION, people=(person,))
    after = replace(incident, phase=Phase.CALLING, taken_by="", worse_pending=False)
    confirmed, to_person = _said(after, Why.CONFIRMATION, people=(person,))
    called, to_next = _again(policy, confirmed, now)
    return called, (*to_person, *to_next)


def _taken(policy: Policy, incident: Incident, now: Moment, *, person: str, wait_ms: int) -> Stepped:
    after = replace(
        incident,
        phase=Phase.ANSWERED,
        taken_by=person,
        worse_pending=False,
        due_ms=now.monotonic_ms + max(wait_ms, policy.reminds_ms),
        told=tuple(dict.fromkeys((*incident.told, person))),
    )
    confirmed, to_person = _said(after, Why.CONFIRMATION, people=(person,))
    others = tuple(name for name in after.told if name != person)
    if not others or incident.taken_by == person:
        return confirmed, to_person
    told, to_others = _said(confirmed, Why.TAKEN, people=others)
    return told, (*to_person, *to_others)


_DUE = {Phase.GATHERING: _first, Phase.CALLING: _again, Phase.ANSWERED: _long_answered}
