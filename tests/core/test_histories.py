"""Whatever happens in whatever order: what must never be, and what must always follow.

A machine lets the small plant of ``plants`` live through invented histories; after every single scan the rules of
safety are checked. Four more properties compare two tellings of one history.
"""

from collections.abc import Callable
from contextlib import ExitStack
from dataclasses import replace
from unittest.mock import patch

from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, precondition, rule

from gateway.core.alarm import display
from gateway.core.condition import View
from gateway.core.outcome import Event, EventKind, Outcome
from gateway.core.output import Readback, reasons
from gateway.core.quality import Reason
from gateway.core.request import Action, Request
from gateway.core.restart import resume
from gateway.core.sample import NoNumber, Number, Reading
from gateway.core.scan import Arrival, Moment, scan
from gateway.core.state import Rules, ScanState, rules_of
from gateway.core.tick import Tick
from gateway.core.validity import Verdict
from gateway.core.working import held_demands
from gateway.store.scan_state import from_bytes, to_bytes
from tests.core.plants import BAD_BOUND_MS, GOOD_GRAB, GOOD_WATER, HOLDS, OPERATOR, PERMIT, ROLES, STOP, Bench

ASKED_OF_ALARMS = (
    Action.ACKNOWLEDGE,
    Action.RESET,
    Action.SHELVE,
    Action.UNSHELVE,
    Action.TAKE_OUT_OF_SERVICE,
    Action.RETURN_TO_SERVICE,
)
WORTHLESS = (Reason.NO_ANSWER, Reason.SENTINEL, Reason.LOOP_FAULT)
INTERESTING: dict[str, tuple[float, ...]] = {
    "TURB": (0.5, 5.2, 9.8, 12.0),
    "CHLORINE": (5.0, 2.1, 1.0),
    "FLOW-510": (1.0, 0.0),
    "STS-510": (0.0, 2.0),
    "HOLD-801": (0.0, 1.0),
    "LEVEL-A": (40.0, 95.0),
    "LEVEL-B": (40.0, 95.0),
    "LEVEL-C": (40.0, 95.0),
    "TANK": (50.0, 94.0, 96.0),
    "ZSC": (0.0, 1.0),
    "FLOW": (0.0, 2.0),
}
BAD_WATCH = {"TURB": "I-TURB-BAD", "CHLORINE": "I-CHLORINE-BAD"}
LET_GO = (EventKind.RESET, EventKind.RELEASED)
NOT_CONCLUDED = {EventKind.FOREIGN_WRITE, EventKind.REESTABLISHED, EventKind.CONTROLLER_RESTARTED, EventKind.RETURNED}
PEOPLE = (OPERATOR, {"person": "DUTY-MGR", "role": "DUTY-MGR"}, {"person": "FILES", "role": "COMPLIANCE"})

readings = st.sampled_from(sorted(INTERESTING)).flatmap(
    lambda tag: st.tuples(st.just(tag), st.one_of(st.sampled_from(INTERESTING[tag]), st.sampled_from(WORTHLESS)))
)


def reading_of(value: float | Reason) -> Reading:
    return NoNumber(value) if isinstance(value, Reason) else Number(value)


class Watched(Bench):
    """A bench that remembers its history and checks every scan."""

    def __init__(self) -> None:
        super().__init__()
        self.history: list[tuple[Moment, tuple[Event, ...]]] = []
        self.began = self.state
        self.bad_since_ms: dict[str, int | None] = dict.fromkeys(BAD_WATCH)
        self.bypass_end_ms: dict[str, int] = {}

    def scan(self, *arrivals: Arrival, after_ms: int = 1_000, polled: bool = True) -> Outcome:
        before = self.state
        outcome = super().scan(*arrivals, after_ms=after_ms, polled=polled)
        came = (*(self.samples() if polled else ()), *arrivals)
        self.history.append((Moment(tick=self.tick(), arrivals=came), outcome.events))
        self._a_permission_is_never_given_against_a_trip_or_a_latch()
        self._nothing_is_let_go_without_a_person(before, outcome)
        self._a_bypass_ends_in_time(outcome)
        self._a_held_reading_is_never_trusted(outcome)
        self._a_hold_ends_by_a_person_and_only_then(before, outcome)
        self._a_worthless_critical_reading_takes_the_permission(outcome)
        self._nothing_is_written_that_nobody_has_commissioned(before, outcome)
        self._every_transition_of_an_alarm_goes_on_from_the_one_before(before, outcome)
        return outcome

    def _a_permission_is_never_given_against_a_trip_or_a_latch(self) -> None:
        for rule_ in self.rules.plant.outputs:
            state = self.state.outputs[rule_.id]
            if not rule_.permit or state.level == rule_.safe_level:
                continue
            assert not state.latches
            assert not state.proving
            assert not state.baseline_awaited
            tripped = [name for name, _ in self.rules.effects[rule_.id] if self.state.interlocks[name].tripped]
            assert not tripped, f"{rule_.id} stands at {state.level} while {tripped} are tripped"

    def _nothing_is_let_go_without_a_person(self, before: ScanState, outcome: Outcome) -> None:
        released = {event.subject: event for event in outcome.events if event.kind is EventKind.RELEASED}
        for name, state in self.state.outputs.items():
            if set(before.outputs[name].latches) - set(state.latches):
                assert released[name].facts["role"] in ROLES
                assert released[name].person
        told = {event.subject for event in outcome.events if event.kind in LET_GO}
        for rule_ in self.rules.plant.interlocks:
            let_go = before.interlocks[rule_.id].tripped and not self.state.interlocks[rule_.id].tripped
            restored = any(one.kind is EventKind.RESTORED and one.subject == rule_.id for one in outcome.events)
            assert not let_go or rule_.id in told or (restored and not rule_.latched)

    def _a_bypass_ends_in_time(self, outcome: Outcome) -> None:
        for event in outcome.events:
            if event.kind is EventKind.BYPASS_ON:
                self.bypass_end_ms[event.subject] = self.monotonic_ms + round(float(event.facts["duration_s"]) * 1_000)
        for name, state in self.state.interlocks.items():
            if state.bypassed_until_ms is not None:
                assert state.bypassed_until_ms == self.bypass_end_ms[name] > self.monotonic_ms
                assert not state.tripped

    def _a_held_reading_is_never_trusted(self, outcome: Outcome) -> None:
        """Neither while it is held nor while it settles, and never as better than bad once its grace is over."""
        for hold in self.state.holds.values():
            late = hold.ended_ms is None and self.monotonic_ms - hold.until_ms >= HOLDS.grace_ms
            for tag in hold.tags:
                assert not isinstance(outcome.verdicts[tag], Number)
                assert not late or _is_bad(outcome.verdicts[tag])
                if tag in self.rules.critical["product"] and not _is_bad(outcome.verdicts[tag]):
                    assert outcome.levels["product"] == "withdrawn"
                    assert f"{tag} held" in self._reasons("product", outcome)

    def _reasons(self, name: str, outcome: Outcome) -> tuple[str, ...]:
        demands = held_demands(self.rules, outcome.verdicts, name)
        return reasons(self.rules.outputs[name], self.state.outputs[name], demands)

    def _a_hold_ends_by_a_person_and_only_then(self, before: ScanState, outcome: Outcome) -> None:
        ended = {event.subject: event for event in outcome.events if event.kind is EventKind.HOLD_OFF}
        for subject, hold in before.holds.items():
            after = self.state.holds.get(subject)
            if hold.ended_ms is None and (after is None or after.ended_ms is not None):
                assert ended[subject].facts["role"] in ROLES
            if after is None:
                assert hold.ended_ms is not None
                assert self.monotonic_ms - hold.ended_ms >= HOLDS.settle_ms

    def _a_worthless_critical_reading_takes_the_permission(self, outcome: Outcome) -> None:
        for tag, watch in BAD_WATCH.items():
            bad = _is_bad(outcome.verdicts[tag]) and self.state.interlocks[watch].bypassed_until_ms is None
            since_ms = self.bad_since_ms[tag] if self.bad_since_ms[tag] is not None else self.monotonic_ms
            self.bad_since_ms[tag] = since_ms if bad else None
            if bad and since_ms is not None and self.monotonic_ms - since_ms >= BAD_BOUND_MS:
                assert outcome.levels["product"] == "withdrawn"

    def _nothing_is_written_that_nobody_has_commissioned(self, before: ScanState, outcome: Outcome) -> None:
        said = [event.kind for event in outcome.events]
        if before.commissioned is None and outcome.writes:
            (event,) = [event for event in outcome.events if event.kind is EventKind.COMMISSIONED]
            assert event.facts["role"] in ROLES
            assert outcome.levels["product"] == "withdrawn"
        if not outcome.writes:
            assert outcome.levels["product"] == "withdrawn"
            assert "resume" not in outcome.levels.values()
            assert not outcome.hurried
            assert EventKind.RELEASED not in said or EventKind.DECOMMISSIONED in said
            if before.commissioned is None and EventKind.DECOMMISSIONED not in said:
                assert not NOT_CONCLUDED & set(said)

    def _every_transition_of_an_alarm_goes_on_from_the_one_before(self, before: ScanState, outcome: Outcome) -> None:
        """So the journal alone tells every state an alarm was in; what moved in silence has lines of its own."""
        stands = {name: display(state).value for name, state in before.alarms.items()}
        for event in outcome.events:
            if "state_before" in event.facts and event.kind is not EventKind.HIDDEN_CHANGE:
                assert event.facts["state_before"] == stands[event.subject]
                stands[event.subject] = str(event.facts["state_after"])
        assert stands == {name: display(state).value for name, state in self.state.alarms.items()}

    def restart(self, *, away_ms: int, same_boot: bool) -> list[Event]:
        """Killed after this scan, and back."""
        state = from_bytes(to_bytes(self.state))
        assert state == self.state
        self.monotonic_ms += away_ms
        self.utc_ms += max(0, away_ms)
        self.state, events = resume(self.rules, state, self.tick(), same_boot=same_boot)
        assert self.state.holds.keys() == state.holds.keys()
        self.bypass_end_ms.clear()
        self.bad_since_ms = dict.fromkeys(BAD_WATCH)
        self.events += events
        self.history, self.began = [], self.state
        assert self.state.outputs["product"].level == "withdrawn"
        assert all(one.bypassed_until_ms is None for one in self.state.interlocks.values())
        return events


def _is_bad(verdict: Verdict) -> bool:
    return isinstance(verdict, NoNumber)


class Histories(RuleBasedStateMachine):
    """People, water, controllers and clocks do as they like."""

    def __init__(self) -> None:
        super().__init__()
        self.bench = Watched()
        self.controller = {"product": 0, "feed": 0, "supply": 0}

    @initialize()
    def somebody_gives_the_permission(self) -> None:
        self.bench.deliver()
        self.controller["product"] = PERMIT

    @rule(change=readings, seconds=st.integers(1, 25))
    def the_water_changes(self, change: tuple[str, float | Reason], seconds: int) -> None:
        tag, value = change
        self.bench.reads[tag] = reading_of(value)
        self.bench.run(seconds)

    @rule(tag=st.sampled_from(sorted(INTERESTING)), seconds=st.integers(1, 20))
    def a_device_falls_silent(self, tag: str, seconds: int) -> None:
        self.bench.silent.add(tag)
        self.bench.run(seconds)

    @rule()
    def everything_is_well_again(self) -> None:
        self.bench.silent.clear()
        self.bench.reads = {tag: Number(value) for tag, value in GOOD_WATER.items()}
        self.bench.run(62)

    @rule(
        action=st.sampled_from(ASKED_OF_ALARMS),
        subject=st.sampled_from(["TURB-HIGH", "TURB-BAD", "CHLORINE-LOW", "CLOUDY", "STUCK", "I-TURB", "I-TANK"]),
        person=st.sampled_from(PEOPLE),
    )
    def somebody_asks(self, action: Action, subject: str, person: dict[str, str]) -> None:
        self.bench.ask(action, subject, duration_ms=20_000, **person)

    @rule(name=st.sampled_from(["I-TURB", "I-TURB-BAD", "I-CHLORINE", "I-LEVELS", "I-TANK", "I-VALVE"]))
    def somebody_bypasses(self, name: str) -> None:
        self.bench.ask(Action.BYPASS, name, duration_ms=30_000)

    @rule(name=st.sampled_from(sorted(HOLDS.subjects)), seconds=st.integers(0, 40), person=st.sampled_from(PEOPLE))
    def somebody_holds(self, name: str, seconds: int, person: dict[str, str]) -> None:
        answer = self.bench.ask(Action.HOLD, name, duration_ms=10_000, **person)
        assert not answer.granted or person["role"] in ROLES
        self.bench.run(seconds)

    @rule(name=st.sampled_from(sorted(HOLDS.subjects)), seconds=st.integers(0, 10), person=st.sampled_from(PEOPLE))
    def somebody_ends_a_hold(self, name: str, seconds: int, person: dict[str, str]) -> None:
        answer = self.bench.ask(Action.END_HOLD, name, **person)
        assert not answer.granted or person["role"] in ROLES
        self.bench.run(seconds)

    @rule(output=st.sampled_from(["product", "feed", "supply"]), person=st.sampled_from(PEOPLE), patient=st.booleans())
    def somebody_releases(self, output: str, person: dict[str, str], *, patient: bool) -> None:
        if patient:
            self.everything_is_well_again()
        self.bench.ask(Action.GRAB_SAMPLE, measured=GOOD_GRAB)
        answer = self.bench.release(output, **person)
        assert not answer.granted or person["role"] in ROLES

    @rule(
        action=st.sampled_from([Action.COMMISSION, Action.DECOMMISSION]),
        person=st.sampled_from(PEOPLE),
        seconds=st.integers(0, 40),
    )
    def somebody_commissions(self, action: Action, person: dict[str, str], seconds: int) -> None:
        answer = self.bench.ask(action, **person)
        assert not answer.granted or person["role"] in ROLES
        self.bench.run(seconds)

    @rule(confirm=st.integers(1, 3))
    def somebody_guesses_a_number(self, confirm: int) -> None:
        if self.bench.state.offer is None:
            assert not self.bench.ask(Action.RELEASE, "product", confirm=confirm + 1_000).granted

    @rule(foreign=st.sampled_from([None, "product", "feed"]))
    def the_controller_is_read(self, foreign: str | None) -> None:
        written = dict(self.controller)
        read = written if foreign is None else {**written, foreign: 7}
        self.bench.scan(Readback(codes=read, written=written))

    @rule(by_ms=st.sampled_from([-3_600_000, -500, 400, 7_200_000]))
    def the_wall_clock_is_set(self, by_ms: int) -> None:
        self.bench.utc_ms += by_ms
        self.bench.scan()

    @precondition(lambda self: len(self.bench.history) > 0)
    @rule(
        away_ms=st.sampled_from([0, 3_000, 59_000, 61_000, -900_000]),
        held=st.sampled_from([0, PERMIT]),
        stopped=st.sampled_from([0, STOP]),
        heard=st.booleans(),
    )
    def the_process_is_killed(self, away_ms: int, held: int, stopped: int, *, heard: bool) -> None:
        self.the_same_again()
        self.bench.restart(away_ms=away_ms, same_boot=away_ms >= 0)
        if heard:
            self.bench.read_back({"product": held, "feed": stopped, "supply": 0})

    def the_same_again(self) -> None:
        """The same moments give the same decisions."""
        state = self.bench.began
        for moment, events in self.bench.history:
            state, outcome = scan(self.bench.rules, state, moment)
            assert outcome.events == events
        assert state == self.bench.state

    def the_long_way(self) -> None:
        """What the scan passes over, since one look shows that it stays as it is, decides the same when it is not."""
        never: dict[str, object] = {
            "gateway.core.state.look_of": _sees_nothing,
            "gateway.core.voting.look_of": _sees_nothing,
            "gateway.core.validity._says_until_ms": 0,
        }
        with ExitStack() as stack:
            for name, answer in never.items():
                stack.enter_context(patch(name, return_value=answer))
            rules = _made_again(self.bench.rules)
            state = self.bench.began
            for moment, events in self.bench.history:
                state, outcome = scan(rules, state, moment)
                assert outcome.events == events
        assert without_shortcuts(state) == without_shortcuts(self.bench.state)

    def teardown(self) -> None:
        self.the_same_again()
        self.the_long_way()


def _sees_nothing(_: View) -> None:
    """A look that leaves everything to the question."""


def _made_again(rules: Rules) -> Rules:
    """The same rules, with the looks that are made now."""
    interlocks = tuple(
        replace(one, causes=tuple(replace(cause) for cause in one.causes)) for one in rules.plant.interlocks
    )
    return rules_of(replace(rules.plant, interlocks=interlocks))


def without_shortcuts(state: ScanState) -> ScanState:
    return replace(state, tags={tag: one._replace(says_until_ms=0) for tag, one in state.tags.items()})


Histories.TestCase.settings = settings(
    max_examples=15,
    stateful_step_count=20,
    deadline=None,
    derandomize=True,
    phases=[Phase.generate],  # add Phase.shrink by hand: it takes longer than the time-out of a test
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.filter_too_much],
)
TestHistories = Histories.TestCase


# --- two tellings of one history ----------------------------------------------------------------------------------

Step = tuple[str, float | Reason, int]
steps = st.lists(
    readings.flatmap(lambda one: st.tuples(st.just(one[0]), st.just(one[1]), st.integers(1, 15))), max_size=12
)
quick = settings(
    max_examples=15,
    deadline=None,
    derandomize=True,
    phases=[Phase.generate, Phase.shrink],  # to explain a failure takes minutes
    suppress_health_check=[HealthCheck.too_slow],
)
Told = tuple[int, EventKind, str, str]


def told(bench: Bench, history: list[Step], between: Callable[[Bench, int], None]) -> list[Told]:
    """Plays a history, with something between its steps; what was decided when, on the monotonic clock."""
    bench.deliver()
    seen: list[Told] = []
    for index, (tag, value, seconds) in enumerate(history):
        between(bench, index)
        bench.reads[tag] = reading_of(value)
        for _ in range(seconds):
            seen += [(bench.monotonic_ms + 1_000, e.kind, e.subject, e.reason) for e in bench.scan().events]
    return seen


def nothing(_bench: Bench, _index: int) -> None:
    return


@quick
@given(history=steps, at=st.integers(0, 11))
def test_a_state_that_went_through_its_bytes_decides_the_same(history: list[Step], at: int) -> None:
    def through_bytes(bench: Bench, index: int) -> None:
        if index == at:
            bench.state = from_bytes(to_bytes(bench.state))

    assert told(Bench(), history, through_bytes) == told(Bench(), history, nothing)


OF_THE_WATER = ("I-TURB", "I-CHLORINE", "I-LEVELS", "I-TANK", "TURB-", "CHLORINE-", "CLOUDY")


def of_the_water(seen: list[Told]) -> list[Told]:
    return [one for one in seen if one[2].startswith(OF_THE_WATER)]


@quick
@given(history=steps, at=st.integers(0, 11))
def test_a_restart_that_takes_no_time_changes_nothing_about_the_water(history: list[Step], at: int) -> None:
    """Only the outputs know of it: a permission proves itself again. Every tag delivers in the next scan."""

    def restarted(bench: Bench, index: int) -> None:
        if index == at:
            state = from_bytes(to_bytes(bench.state))
            bench.state, _ = resume(bench.rules, state, bench.tick(), same_boot=True)

    assert of_the_water(told(Bench(), history, restarted)) == of_the_water(told(Bench(), history, nothing))


@quick
@given(history=steps, by_ms=st.lists(st.sampled_from([-86_400_000, -5_000, -700, 0, 900, 61_000, 10**9]), min_size=12))
def test_a_wall_clock_that_is_set_changes_no_duration(history: list[Step], by_ms: list[int]) -> None:
    def set_clock(bench: Bench, index: int) -> None:
        bench.utc_ms += by_ms[index]

    steady = told(Bench(), history, nothing)
    assert [one for one in told(Bench(), history, set_clock) if one[1] is not EventKind.CLOCK_STEP] == steady


@quick
@given(history=steps)
def test_more_scans_between_the_polls_trip_nothing_earlier(history: list[Step]) -> None:
    """An input image that is scanned twice a second decides at the same seconds as one that is scanned once."""

    class Twice(Bench):
        def scan(self, *arrivals: Arrival, after_ms: int = 1_000, polled: bool = True) -> Outcome:
            half = super().scan(after_ms=after_ms - 500, polled=False)
            whole = super().scan(*arrivals, after_ms=500, polled=polled)
            self.outcome = replace(whole, events=(*half.events, *whole.events))
            return self.outcome

    once, twice = told(Bench(), history, nothing), told(Twice(), history, nothing)
    assert [one[1:] for one in of_the_water(once)] == [one[1:] for one in of_the_water(twice)]


def test_the_machine_reaches_what_it_talks_about() -> None:
    """The histories above would prove nothing if nobody ever delivered, tripped or released in them."""
    bench = Watched()
    bench.deliver()
    bench.reads["ZSC"] = Number(1.0)
    for held in ("CHLORINE", "LEVELS"):
        bench.ask(Action.HOLD, held, duration_ms=10_000)
        bench.run(45)  # beyond the grace time of 30 s after its end
        bench.ask(Action.END_HOLD, held)
        bench.run(6)
    bench.reads["TURB"] = Number(12.0)
    bench.run(20)
    bench.reads["TURB"] = Number(0.5)
    bench.run(62)
    bench.ask(Action.GRAB_SAMPLE, measured=GOOD_GRAB)
    assert bench.release("product").granted
    kinds = [event.kind for event in bench.events]
    assert kinds.count(EventKind.RELEASED) == 2
    assert EventKind.TRIP in kinds
    assert kinds.count(EventKind.HOLD_OFF) == 2
    assert isinstance(bench.history[0][0].tick, Tick)
    assert any(isinstance(one, Request) for moment, _ in bench.history for one in moment.arrivals)
