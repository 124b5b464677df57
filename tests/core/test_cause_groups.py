"""Alarms of one cause: who explains whom, a cause that is seen late, ends, restarts, and histories at random."""

from collections.abc import Mapping, Sequence
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.core.alarm import AlarmRule, AlarmState
from gateway.core.cause_groups import (
    NO_GROUPS,
    CauseGroup,
    GroupRules,
    GroupState,
    Member,
    Place,
    after_restart,
    cause_facts,
    step,
)
from gateway.core.condition import Equals
from gateway.core.outcome import Event, EventKind
from gateway.core.plant import Plant
from gateway.core.quality import Reason
from gateway.core.restart import resume
from gateway.core.sample import Number
from gateway.core.suppression import Hiding
from gateway.core.validity import TagRule
from gateway.store.scan_state import from_bytes, to_bytes
from tests.core.plants import Bench

LATE_MS, SETTLES_MS = 10_000, 60_000
POWER = frozenset({"POWER"})
LINE = POWER | {"LINE"}
RULES = GroupRules(
    places={
        "POWER": Place(),
        "LINE": Place(upstream=POWER),
        "DEVICE-A": Place(upstream=LINE),
        "DEVICE-B": Place(upstream=LINE),
        "PUMP": Place(),
        "DOSE-SOON": Place(upstream=LINE | {"DEVICE-A", "PUMP"}, beside=frozenset({"DOSE-LOW"})),
        "DOSE-LOW": Place(upstream=LINE | {"DEVICE-A", "PUMP"}, beside=frozenset({"DOSE-SOON"})),
    },
    late_cause_ms=LATE_MS,
    settles_ms=SETTLES_MS,
)
CALM, SEEN = AlarmState(), Hiding()
ALARMS = (*RULES.places, "ELSEWHERE")


class Watch:
    """The groups, second by second; alarms begin and end as they are told to."""

    def __init__(self, rules: GroupRules = RULES) -> None:
        self.rules = rules
        self.state = NO_GROUPS
        self.alarms: dict[str, AlarmState] = dict.fromkeys(ALARMS, CALM)
        self.now_s = 0
        self.told: list[Event] = []

    def at(
        self, second: int, *begin: str, onset_s: int | None = None, end: Sequence[str] = (), hiding: Hiding = SEEN
    ) -> list[Event]:
        """At this second alarms become active (in condition since ``onset_s``) and others end."""
        self.now_s = second
        onset_ms = (second if onset_s is None else onset_s) * 1_000
        for id_ in begin:
            occurrence = self.alarms[id_].occurrence + 1
            self.alarms[id_] = AlarmState(
                active=True, acked=False, occurrence=occurrence, onset_ms=onset_ms, hiding=hiding
            )
        for id_ in end:
            self.alarms[id_] = replace(self.alarms[id_], active=False, onset_ms=None)
        self.state, said = step(self.rules, self.state, self.alarms, second * 1_000)
        self.told += said
        return said

    def groups(self) -> list[tuple[str, set[str]]]:
        return [(group.first, set(group.members)) for group in self.state.groups]


def test_what_follows_joins_its_cause_and_the_group_is_told_once() -> None:
    watch = Watch()
    assert watch.at(10, "LINE") == []
    (told,) = watch.at(20, "DEVICE-A")
    assert watch.at(30, "DOSE-LOW") == []  # by way of the device
    assert watch.groups() == [("LINE", {"LINE", "DEVICE-A", "DOSE-LOW"})]
    assert (told.kind, told.subject, told.occurrence) == (EventKind.CAUSE_GROUP, "LINE", 1)
    assert told.facts == {"cause_group": 1, "alarms": "LINE, DEVICE-A", "onset_ms_ago": 10_000}


def test_a_member_tells_its_cause_and_the_first_none() -> None:
    watch = Watch()
    watch.at(10, "LINE")
    watch.at(20, "DOSE-LOW")
    assert cause_facts(watch.state, "DOSE-LOW") == {"cause_group": 1, "caused_by": "LINE"}
    assert cause_facts(watch.state, "LINE") == {}
    assert cause_facts(watch.state, "PUMP") == {}


def test_alarms_that_do_not_lie_on_one_way_stay_apart() -> None:
    watch = Watch()
    watch.at(10, "DEVICE-A")
    watch.at(10, "DEVICE-B", "PUMP", "ELSEWHERE")
    assert watch.groups() == [("DEVICE-A", {"DEVICE-A"}), ("DEVICE-B", {"DEVICE-B"}), ("PUMP", {"PUMP"})]
    assert watch.told == []


@pytest.mark.parametrize("late_s", [0, 1, 10])
def test_a_cause_upstream_may_begin_a_little_later_than_what_it_causes(late_s: int) -> None:
    watch = Watch()
    watch.at(100, "DEVICE-A")
    watch.at(100, "DEVICE-B")
    told = watch.at(100 + late_s, "LINE")
    assert watch.groups() == [("LINE", {"LINE", "DEVICE-A", "DEVICE-B"})]
    assert [event.subject for event in told] == ["LINE"]


def test_one_that_begins_later_than_that_has_a_cause_of_its_own() -> None:
    watch = Watch()
    watch.at(100, "DEVICE-A")
    assert watch.at(111, "LINE") == []
    assert [first for first, _ in watch.groups()] == ["DEVICE-A", "LINE"]


def test_onsets_count_and_not_when_delays_ran_out() -> None:
    watch = Watch()
    watch.at(40, "DEVICE-A", onset_s=10)
    (told,) = watch.at(700, "POWER", onset_s=12)
    assert (told.subject, watch.groups()) == ("POWER", [("POWER", {"POWER", "DEVICE-A"})])


def test_a_cause_that_comes_into_a_group_that_was_told_is_told_again_under_its_number() -> None:
    watch = Watch()
    watch.at(100, "DEVICE-A")
    (first,) = watch.at(103, "DOSE-LOW")
    (second,) = watch.at(105, "LINE")
    (third,) = watch.at(106, "POWER")
    assert [one.subject for one in (first, second, third)] == ["DEVICE-A", "LINE", "POWER"]
    assert {one.facts["cause_group"] for one in (first, second, third)} == {1}
    assert watch.at(107, "DEVICE-B") == []


@pytest.mark.parametrize("onset_s", [30, 50, 55])
def test_of_one_unit_the_first_to_be_active_is_the_cause_whichever_began_first(onset_s: int) -> None:
    watch = Watch()
    watch.at(50, "DOSE-LOW", onset_s=50)
    watch.at(90, "DOSE-SOON", onset_s=onset_s)
    assert watch.groups() == [("DOSE-LOW", {"DOSE-LOW", "DOSE-SOON"})]


def test_alarms_of_one_unit_stay_together_whatever_else_explains_the_second() -> None:
    watch = Watch()
    watch.at(100, "LINE")
    watch.at(101, "DOSE-LOW", onset_s=81)  # began long before the line was gone
    watch.at(102, "DOSE-SOON")
    assert watch.groups() == [("LINE", {"LINE"}), ("DOSE-LOW", {"DOSE-LOW", "DOSE-SOON"})]


def test_one_that_two_causes_explain_goes_with_the_older_group() -> None:
    watch = Watch()
    watch.at(10, "PUMP")
    watch.at(20, "LINE")
    watch.at(30, "DOSE-LOW")
    assert watch.groups() == [("PUMP", {"PUMP", "DOSE-LOW"}), ("LINE", {"LINE"})]


def test_a_group_stands_until_all_of_it_has_been_gone_for_the_settling_time() -> None:
    watch = Watch()
    watch.at(10, "LINE")
    watch.at(20, "DEVICE-A")
    watch.at(30, end=["LINE"])
    watch.at(100, end=["DEVICE-A"])
    watch.at(159, "DOSE-LOW")  # the water arrives
    assert watch.groups() == [("LINE", {"LINE", "DEVICE-A", "DOSE-LOW"})]
    watch.at(200, end=["DOSE-LOW"])
    watch.at(259)
    assert len(watch.state.groups) == 1
    watch.at(260)
    assert watch.state == GroupState(groups=(), made=1)
    watch.at(300, "DEVICE-A")
    assert [group.number for group in watch.state.groups] == [2]


def test_one_that_comes_back_while_its_group_stands_is_in_it_still() -> None:
    watch = Watch()
    watch.at(10, "LINE")
    watch.at(20, "DEVICE-A")
    watch.at(30, end=["DEVICE-A"])
    watch.at(40, "DEVICE-A")
    assert watch.groups() == [("LINE", {"LINE", "DEVICE-A"})]
    assert watch.state.groups[0].members["DEVICE-A"] == Member(onset_ms=20_000)


def test_suppressed_and_shelved_alarms_take_part_and_one_out_of_service_does_not() -> None:
    watch = Watch()
    watch.at(10, "LINE", hiding=Hiding(out_of_service=True))
    watch.at(20, "DEVICE-A", hiding=Hiding(suppressed=True))
    assert watch.groups() == [("DEVICE-A", {"DEVICE-A"})]
    watch.at(22, "DOSE-LOW", hiding=Hiding(shelved_until_ms=99_000))
    assert watch.told == []  # nobody has heard of anything
    watch.at(25, "POWER")
    assert [event.subject for event in watch.told] == ["POWER"]
    assert watch.groups() == [("POWER", {"POWER", "DEVICE-A", "DOSE-LOW"})]


def test_without_a_graph_nothing_is_grouped() -> None:
    watch = Watch(GroupRules())
    watch.at(10, *ALARMS)
    assert (watch.state, watch.told) == (NO_GROUPS, [])


# --- restarts ---


def test_a_restart_carries_the_stamps_and_drops_what_is_no_longer_in_the_graph() -> None:
    members = {"LINE": Member(onset_ms=5_000), "DEVICE-A": Member(onset_ms=8_000, gone_ms=9_000)}
    state = GroupState(groups=(CauseGroup(number=4, first="LINE", members=members, told=True),), made=7)
    carried = after_restart(RULES, state, -3_000)
    assert carried.groups[0].members == {
        "LINE": Member(onset_ms=2_000),
        "DEVICE-A": Member(onset_ms=5_000, gone_ms=6_000),
    }
    without_line = replace(RULES, places={"DEVICE-A": Place()})
    (group,) = after_restart(without_line, state, 0).groups
    assert (group.first, set(group.members), group.told) == ("DEVICE-A", {"DEVICE-A"}, False)
    assert after_restart(GroupRules(), state, 0) == GroupState(groups=(), made=7)


# --- in the scan ---


def bench() -> Bench:
    tags = tuple(TagRule(tag=tag) for tag in ("A", "B"))
    alarms = (
        AlarmRule(id="LINE", condition=Equals(tag="A"), on_delay_ms=2_000),
        AlarmRule(id="DEVICE", condition=Equals(tag="B"), on_delay_ms=1_000),
    )
    rules = GroupRules(places={"LINE": Place(), "DEVICE": Place(upstream=frozenset({"LINE"}))}, late_cause_ms=5_000)
    one = Bench(Plant(tags=tags, alarms=alarms, cause_groups=rules))
    one.reads = {"A": Number(0.0), "B": Number(0.0)}
    one.run(2)
    return one


def test_the_journal_names_the_cause_at_the_member_and_keeps_every_member() -> None:
    one = bench()
    one.read(A=1.0)
    one.run(3)
    one.read(B=1.0)
    one.run(3)
    assert [(event.kind, event.subject) for event in one.events] == [
        (EventKind.ALARM, "LINE"),
        (EventKind.ALARM, "DEVICE"),
        (EventKind.CAUSE_GROUP, "LINE"),
    ]
    assert (one.events[1].facts["cause_group"], one.events[1].facts["caused_by"]) == (1, "LINE")
    assert one.state.alarms["LINE"].active
    assert one.state.alarms["DEVICE"].active


def test_a_restart_in_the_middle_keeps_the_group_and_its_number() -> None:
    one = bench()
    one.read(A=1.0)
    one.run(3)
    one.state = from_bytes(to_bytes(one.state))
    one.monotonic_ms += 20_000
    one.utc_ms += 20_000
    one.state, _ = resume(one.rules, one.state, one.tick(), same_boot=True)
    one.read(B=1.0)
    one.run(3)
    (alarm,) = one.found(EventKind.ALARM, "DEVICE")
    assert (alarm.facts["cause_group"], alarm.facts["caused_by"]) == (1, "LINE")
    assert len(one.found(EventKind.CAUSE_GROUP)) == 1


def test_a_cause_whose_reading_goes_bad_explains_as_long_as_its_alarm_stands() -> None:
    one = bench()
    one.read(A=1.0)
    one.run(3)
    one.read(A=Reason.NO_ANSWER)
    one.run(100)
    one.read(B=1.0)
    one.run(3)
    assert one.found(EventKind.ALARM, "DEVICE")[0].facts["caused_by"] == "LINE"


# --- histories ---

MOVES = st.lists(st.tuples(st.integers(1, 30), st.sampled_from(ALARMS), st.integers(0, 20), st.booleans()), max_size=60)


def play(moves: Sequence[tuple[int, str, int, bool]], *, restarts: bool) -> Watch:
    watch = Watch()
    second = 100
    for after_s, id_, ago_s, hidden in moves:
        second += after_s
        if watch.alarms[id_].active:
            watch.at(second, end=[id_])
        else:
            watch.at(second, id_, onset_s=second - ago_s, hiding=Hiding(suppressed=hidden))
        if restarts:
            watch.state = after_restart(RULES, watch.state, 0)
        hold(watch.state, watch.alarms)
    return watch


def hold(state: GroupState, alarms: Mapping[str, AlarmState]) -> None:
    placed = [id_ for group in state.groups for id_ in group.members]
    assert len(placed) == len(set(placed))  # nobody in two groups
    assert {id_ for id_ in RULES.places if alarms[id_].active} <= set(placed)  # nobody lost
    assert "ELSEWHERE" not in placed
    for group in state.groups:
        assert group.first in group.members
        assert group.number <= state.made
        onset_ms = group.members[group.first].onset_ms
        others = [one for other in state.groups if other is not group for one in other.members.items()]
        assert not any(explains(id_, member.onset_ms, group.first, onset_ms) for id_, member in others)


def explains(cause: str, began_ms: int, effect: str, onset_ms: int) -> bool:
    place = RULES.places[effect]
    return cause in place.beside or (cause in place.upstream and began_ms <= onset_ms + LATE_MS)


@given(MOVES)
def test_every_history_keeps_its_promises_twice_the_same_and_across_restarts(
    moves: Sequence[tuple[int, str, int, bool]],
) -> None:
    plain, again, restarted = play(moves, restarts=False), play(moves, restarts=False), play(moves, restarts=True)
    assert plain.told == again.told == restarted.told
    assert plain.state == again.state == restarted.state
    for event in plain.told:
        listed = str(event.facts["alarms"]).split(", ")
        assert listed[0] == event.subject
        assert len(listed) > 1
