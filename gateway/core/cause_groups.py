"""Alarms of one cause: those that follow from another along the declared process graph are one event.

An alarm explains another when its unit lies upstream (power, line, unit before
it) of the other's and it began first; it may be noticed a little late, since
slower polls and longer delays hide which came first. Of the alarms of one unit
the first to be active explains the others: their limits differ, so that their
onsets say nothing about causes. A group stands until all of its alarms are gone and a settling time
has passed, because consequences arrive with the water. Every member stays an
alarm of its own: nothing here silences, starts or ends one.
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace

from gateway.core.alarm import AlarmState
from gateway.core.delay import shifted
from gateway.core.outcome import Event, EventKind, Fact


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """Where an alarm stands in the process graph.

    Args:
        upstream: alarms of every unit that its own depends on, however far.
        beside: other alarms of its own unit.
    """

    upstream: frozenset[str] = frozenset()
    beside: frozenset[str] = frozenset()


@dataclass(frozen=True, slots=True, kw_only=True)
class GroupRules:
    """The process graph as the alarms see it.

    Args:
        places: of the alarms in the graph, those upstream first; an alarm that is not in it is no member of anything.
        late_cause_ms: a cause upstream may begin so much later than what it causes.
        settles_ms: a group ends so long after the last of its alarms has gone.
    """

    places: Mapping[str, Place] = field(default_factory=dict)
    late_cause_ms: int = 0
    settles_ms: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Member:
    """One alarm of a group: when it began, and when it was gone (None while it is there). Monotonic."""

    onset_ms: int
    gone_ms: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class CauseGroup:
    """Alarms of one cause.

    Args:
        number: of the group, counted up for ever.
        first: the alarm that explains the others.
        members: all of them, ``first`` included.
        told: whether it is in the journal as it is now.
    """

    number: int
    first: str
    members: Mapping[str, Member]
    told: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class GroupState:
    """What is remembered between scans: groups that stand, the oldest first, and how many there ever were."""

    groups: tuple[CauseGroup, ...] = ()
    made: int = 0


NO_RULES = GroupRules()
NO_GROUPS = GroupState()


def step(
    rules: GroupRules, state: GroupState, alarms: Mapping[str, AlarmState], now_ms: int
) -> tuple[GroupState, list[Event]]:
    """Let groups end, put what has become active where it belongs, and tell of groups that are new or changed.

    Args:
        rules: the process graph.
        state: as the last scan left it.
        alarms: states of this scan.
        now_ms: this scan.
    """
    if not rules.places:
        return state, []
    if state.groups:
        kept = [_seen(group, alarms, now_ms) for group in state.groups]
        state = replace(state, groups=tuple([group for group in kept if not _over(rules, group, now_ms)]))
    for id_ in _risen(rules, state, alarms):
        state = _join(rules, state, id_, _onset_ms(alarms[id_]))
    events = [_told(group, alarms, now_ms) for group in state.groups if _to_tell(group, alarms)]
    if events:
        state = replace(
            state, groups=tuple([replace(one, told=one.told or _to_tell(one, alarms)) for one in state.groups])
        )
    return state, events


def _seen(group: CauseGroup, alarms: Mapping[str, AlarmState], now_ms: int) -> CauseGroup:
    """With who is there and who is gone."""
    changed = {
        id_: replace(member, gone_ms=None if alarms[id_].active else now_ms)
        for id_, member in group.members.items()
        if alarms[id_].active is not (member.gone_ms is None)
    }
    return replace(group, members={**group.members, **changed}) if changed else group


def _over(rules: GroupRules, group: CauseGroup, now_ms: int) -> bool:
    gone = [member.gone_ms for member in group.members.values() if member.gone_ms is not None]
    return len(gone) == len(group.members) and now_ms - max(gone) >= rules.settles_ms


def _risen(rules: GroupRules, state: GroupState, alarms: Mapping[str, AlarmState]) -> list[str]:
    """Active alarms that belong nowhere yet, by their onset. One out of service explains nothing."""
    placed = {id_ for group in state.groups for id_ in group.members}
    active = [id_ for id_ in rules.places if alarms[id_].active and id_ not in placed]
    return sorted(
        [id_ for id_ in active if not alarms[id_].hiding.out_of_service], key=lambda id_: _onset_ms(alarms[id_])
    )


def _onset_ms(state: AlarmState) -> int:
    return state.activated_ms if state.onset_ms is None else state.onset_ms


def _causes(rules: GroupRules, cause: tuple[str, int], effect: tuple[str, int]) -> bool:
    """Whether one alarm lies upstream of another and began in time; both with their onsets."""
    (causing, began_ms), (caused, onset_ms) = cause, effect
    return causing in rules.places[caused].upstream and began_ms <= onset_ms + rules.late_cause_ms


def _home(rules: GroupRules, state: GroupState, new: tuple[str, int]) -> CauseGroup | None:
    """The group of its own unit, else the oldest with an alarm that causes it."""
    beside = rules.places[new[0]].beside
    for group in state.groups:
        if not beside.isdisjoint(group.members):
            return group
    return next((group for group in state.groups if any(_causes(rules, one, new) for one in _onsets(group))), None)


def _join(rules: GroupRules, state: GroupState, id_: str, onset_ms: int) -> GroupState:
    """Put an alarm where it belongs, and take over the groups whose first it causes."""
    new = (id_, onset_ms)
    home = _home(rules, state, new)
    taken = [
        group
        for group in state.groups
        if group is not home and _causes(rules, new, (group.first, group.members[group.first].onset_ms))
    ]
    if home is None and not taken:
        group = CauseGroup(number=state.made + 1, first=id_, members={id_: Member(onset_ms=onset_ms)})
        return GroupState(groups=(*state.groups, group), made=group.number)
    into = home or taken[0]
    members = {id_: Member(onset_ms=onset_ms)}
    for group in (into, *taken):
        members = {**group.members, **members}
    grown = replace(
        into, first=into.first if home else id_, members=members, told=into.told and bool(home) and not taken
    )
    others = [grown if group is into else group for group in state.groups if group is into or group not in taken]
    return replace(state, groups=tuple(others))


def _onsets(group: CauseGroup) -> Iterator[tuple[str, int]]:
    return ((id_, member.onset_ms) for id_, member in group.members.items())


def _to_tell(group: CauseGroup, alarms: Mapping[str, AlarmState]) -> bool:
    """Two alarms at least, and somebody has heard of one of them."""
    heard = any(alarms[id_].active and not alarms[id_].hiding.hidden for id_ in group.members)
    return not group.told and len(group.members) > 1 and heard


def _told(group: CauseGroup, alarms: Mapping[str, AlarmState], now_ms: int) -> Event:
    first = group.members[group.first]
    facts: dict[str, Fact] = {
        "cause_group": group.number,
        "alarms": ", ".join(sorted(group.members, key=lambda id_: (id_ != group.first, group.members[id_].onset_ms))),
        "onset_ms_ago": now_ms - first.onset_ms,
    }
    return Event(
        kind=EventKind.CAUSE_GROUP, subject=group.first, occurrence=alarms[group.first].occurrence, facts=facts
    )


def cause_facts(state: GroupState, id_: str) -> dict[str, Fact]:
    """What an alarm follows from, for its own line in the journal; empty for one that follows from none."""
    for group in state.groups:
        if id_ in group.members and id_ != group.first:
            return {"cause_group": group.number, "caused_by": group.first}
    return {}


def after_restart(rules: GroupRules, state: GroupState, shift_ms: int) -> GroupState:
    """Groups survive with the members that are still in the graph; stamps are carried into the new monotonic time."""
    groups = [_carried(rules, group, shift_ms) for group in state.groups]
    return replace(state, groups=tuple([group for group in groups if group.members]))


def _carried(rules: GroupRules, group: CauseGroup, shift_ms: int) -> CauseGroup:
    members = {
        id_: Member(onset_ms=one.onset_ms + shift_ms, gone_ms=shifted(one.gone_ms, shift_ms))
        for id_, one in group.members.items()
        if id_ in rules.places
    }
    first = group.first if group.first in members else min(members, key=lambda id_: members[id_].onset_ms, default="")
    return replace(group, first=first, members=members, told=group.told and first == group.first)
