"""Plays a timeline of ``alarm_timelines.yaml`` through the real scan and says what happened."""

from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from typing import Any

from gateway.core import alarm, interlock, motor
from gateway.core.alarm import AlarmRule, OnBad, SuppressWhen
from gateway.core.condition import (
    BadQuality,
    Condition,
    Deviation,
    Equals,
    Limit,
    Mismatch,
    NoChange,
    Rate,
    Side,
)
from gateway.core.figures import FigureRules
from gateway.core.interlock import InterlockRule
from gateway.core.motor import AT_REST, MotorRule, MotorState
from gateway.core.outcome import Event, EventKind
from gateway.core.plant import Plant
from gateway.core.quality import Quality, Reason
from gateway.core.request import Action, Request
from gateway.core.restart import resume
from gateway.core.sample import NoNumber, Number, Reading, Sample, reading_of
from gateway.core.scan import Arrival, Moment, scan
from gateway.core.state import Rules, ScanState, first_state, rules_of
from gateway.core.tick import Tick
from gateway.core.validity import HoldWhen, TagRule, ValidWhen
from gateway.core.voting import BadVote, Cause

NAMES = {
    EventKind.ALARM: "ALARM",
    EventKind.RTN: "RTN",
    EventKind.ACK: "ACK",
    EventKind.ACK_REFUSED: "ACK_REFUSED",
    EventKind.RESET: "RESET",
    EventKind.RESET_REFUSED: "RESET_REFUSED",
    EventKind.SHELVE: "SHELVE",
    EventKind.SHELVE_REFUSED: "SHELVE_REFUSED",
    EventKind.UNSHELVE: "UNSHELVE",
    EventKind.SUPPRESS: "SUPPRESS",
    EventKind.UNSUPPRESS: "UNSUPPRESS",
    EventKind.OUT_OF_SERVICE: "OOS",
    EventKind.IN_SERVICE: "IN_SERVICE",
    EventKind.FIRST_OUT: "FIRST_OUT",
    EventKind.CHATTER: "CHATTER",
    EventKind.STALE: "STALE",
    EventKind.FLOOD_BEGIN: "FLOOD_BEGIN",
    EventKind.FLOOD_END: "FLOOD_END",
    EventKind.TRIP: "TRIP",
    EventKind.CAUSE_CLEARED: "CAUSE_CLEARED",
    EventKind.CAUSE_RETURNED: "CAUSE_RETURNED",
    EventKind.RESTORED: "RESTORED",
    EventKind.RESTART_HOLD: "RESTART_HOLD",
    EventKind.BYPASS_ON: "BYPASS_ON",
    EventKind.BYPASS_OFF: "BYPASS_OFF",
    EventKind.BYPASS_REFUSED: "BYPASS_REFUSED",
    EventKind.WOULD_TRIP: "WOULD_TRIP",
    EventKind.MOTOR_START: "START",
    EventKind.MOTOR_START_REFUSED: "START_REFUSED",
    EventKind.MOTOR_STOP: "STOP",
    EventKind.CLOCK_STEP: "CLOCK_STEP",
}
ACTIONS = {
    "ack": Action.ACKNOWLEDGE,
    "reset": Action.RESET,
    "shelve": Action.SHELVE,
    "unshelve": Action.UNSHELVE,
    "oos_on": Action.TAKE_OUT_OF_SERVICE,
    "oos_off": Action.RETURN_TO_SERVICE,
    "bypass": Action.BYPASS,
    "unbypass": Action.END_BYPASS,
}
Record = dict[str, Any]


def ms(seconds: float) -> int:
    return round(seconds * 1000)


def optional_ms(options: Record, key: str) -> int | None:
    return ms(options[key]) if key in options else None


# --- the timeline's configuration as rules ---


def condition_of(options: Record) -> Condition:  # noqa: PLR0911 - one line a kind
    tag, kind = options.get("tag", ""), options["type"]
    band = {"limit": options.get("limit", 0.0), "deadband": options.get("deadband", 0.0)}
    match kind:
        case "high" | "low":
            return Limit(tag=tag, side=Side(kind), **band)
        case "bool":
            return Equals(tag=tag, value=options.get("limit", 1))
        case "mismatch":
            return Mismatch(command=options["cmd"], feedback=options["fb"])
        case "no_change":
            return NoChange(tag=tag, band=options.get("eps", 0.0), after_ms=ms(options.get("on_delay_s", 0)))
        case "bad_quality":
            return BadQuality(tag=tag)
        case "rate":
            return Rate(tag=tag, **band)
        case "deviation":
            return Deviation(tag=options["a"], other=options["b"], **band)
    raise ValueError(f"the timeline asks for an unknown type {kind!r}")


def tag_rule(name: str, options: Record) -> TagRule:
    governs = options.get("valid_when")
    valid_when = (
        ()
        if governs is None
        else (
            ValidWhen(
                tag=governs["tag"],
                minimum=governs["min"],
                invalid_after_ms=ms(options.get("invalid_after_s", 0)),
                purge_ms=ms(options.get("purge_s", 0)),
            ),
        )
    )
    hold = options.get("hold_tag")
    return TagRule(
        tag=name,
        stale_after_ms=optional_ms(options, "stale_after_s"),
        uncertain_counts=options.get("uncertain", "as_good") == "as_good",
        valid_when=valid_when,
        hold_when=None if hold is None else HoldWhen(tag=hold, limit_ms=ms(options.get("hold_max_s", 1e9))),
        max_future_ms=ms(options.get("max_future_s", 5)),
    )


def alarm_rule(name: str, options: Record) -> AlarmRule:
    logic = options.get("suppress_when")
    suppress = None
    if logic is not None:
        suppress = SuppressWhen(tag=logic.get("tag", ""), equals=logic.get("equals", 1), alarm=logic.get("alarm", ""))
    return AlarmRule(
        id=name,
        condition=condition_of(options),
        # the condition itself counts the time without movement
        on_delay_ms=0 if options["type"] == "no_change" else ms(options.get("on_delay_s", 0)),
        off_delay_ms=ms(options.get("off_delay_s", 0)),
        latched=options.get("latched", False),
        on_bad=OnBad(options.get("on_bad", "hold")),
        suppress_when=suppress,
        release_delay_ms=ms(options.get("release_delay_s", 0)),
        shelvable=options.get("shelvable", True),
        max_shelve_ms=ms(options.get("max_shelve_s", 28800)),
        realarm_ms=optional_ms(options, "realarm_s"),
    )


def interlock_rule(name: str, options: Record) -> InterlockRule:
    needed = options.get("vote", [1, 1])[0]
    cause = Cause(
        inputs=tuple(condition_of(one) for one in options["inputs"]),
        needed=needed,
        trip_delay_ms=ms(options.get("trip_delay_s", 0)),
        bad=BadVote(options.get("bad", "vote_trip")),
        bad_trip_delay_ms=optional_ms(options, "bad_trip_delay_s"),
    )
    return InterlockRule(
        id=name,
        causes=(cause,),
        latched=options.get("latched", True),
        restore_delay_ms=ms(options.get("restore_delay_s", 0)),
        reset_hold_ms=ms(options.get("reset_hold_s", 0)),
        permissives=tuple(Equals(tag=one["tag"], value=one["equals"]) for one in options.get("permissives", [])),
        bypassable=options.get("bypassable", True),
        bypass_max_ms=ms(options.get("bypass_max_s", 28800)),
        hold_after_restart=options.get("hold_after_restart", False),
    )


def motor_rule(name: str, options: Record) -> MotorRule:
    return MotorRule(
        id=name,
        min_off_ms=ms(options.get("min_off_s", 0)),
        max_starts=options.get("max_starts"),
        window_ms=ms(options.get("per_s", 0)),
    )


def figure_rules(metrics: Record) -> FigureRules:
    flood, chatter, stale = (metrics.get(name, {}) for name in ("flood", "chatter", "stale"))
    return FigureRules(
        flood_window_ms=ms(flood.get("window_s", 600)),
        flood_above=flood.get("start_above"),
        flood_below=flood.get("end_below", 0),
        chatter_window_ms=ms(chatter.get("window_s", 60)),
        chatter_count=chatter.get("count"),
        stale_after_ms=optional_ms(stale, "after_s"),
    )


def governing_first(tags: Record) -> list[str]:
    """Tag names with every governing tag before the tags it governs."""
    order: list[str] = []

    def place(name: str) -> None:
        options = tags.get(name, {})
        governors = [
            options[key]["tag"] if key == "valid_when" else options[key]
            for key in ("valid_when", "hold_tag")
            if key in options
        ]
        for governor in governors:
            place(governor)
        if name not in order:
            order.append(name)

    for name in tags:
        place(name)
    return order


def plant_of(timeline: Record) -> Plant:
    tags = {name: options or {} for name, options in timeline.get("tags", {}).items()}
    return Plant(
        tags=tuple(tag_rule(name, tags.get(name, {})) for name in governing_first(tags)),
        alarms=tuple(alarm_rule(*one) for one in timeline.get("alarms", {}).items()),
        interlocks=tuple(interlock_rule(*one) for one in timeline.get("interlocks", {}).items()),
        first_out_groups={name: tuple(one) for name, one in timeline.get("first_out_groups", {}).items()},
        figures=figure_rules(timeline.get("metrics", {})),
        clock_step_ms=1,
    )


# --- the timeline's steps as moments ---


def expanded(steps: list[Record]) -> Iterator[Record]:
    for step in steps:
        if "every_s" not in step:
            yield step if "count_from" not in step else {**step, "v": step["count_from"]}
            continue
        count, t = 0, step["t"]
        while t <= step["until"]:
            value = {"v": step["count_from"] + count} if "count_from" in step else {}
            yield {**step, **value, "t": t}
            count += 1
            t = step["t"] + count * step["every_s"]


@dataclass
class Motors:
    """The motors of a timeline beside the scan: asked in the order of the steps, stopped by what the scan tripped."""

    rules: dict[str, MotorRule] = field(default_factory=dict)
    interlocks: dict[str, str] = field(default_factory=dict)
    states: dict[str, MotorState] = field(default_factory=dict)
    asked: list[tuple[Record, frozenset[str]]] = field(default_factory=list)

    def ask(self, step: Record, arrivals: list[Arrival]) -> None:
        """A start or stop, and the requests that came before it at the same instant."""
        self.asked.append((step, frozenset(one.id for one in arrivals if isinstance(one, Request))))

    def judged(self, before: ScanState, after: ScanState, events: tuple[Event, ...], now_ms: int) -> tuple[Event, ...]:
        """The events of a scan with those of the motors in their places."""
        told, added = list(events), 0
        for step, earlier in self.asked:
            said = self.carried_out(step, before, self.resets(events, earlier), now_ms)
            at = added + place_behind(events, earlier)
            told[at:at] = said
            added += len(said)
        self.asked = []
        for name, rule in self.rules.items():
            by = self.interlocks[name]
            if by and after.interlocks[by].tripped:
                self.states[name], said = motor.step(rule, self.states[name], motor.Trigger.TRIP, now_ms)
                at = max((number for number, one in enumerate(told, 1) if one.subject == by), default=len(told))
                told[at:at] = said
        return tuple(told)

    def resets(self, events: tuple[Event, ...], earlier: frozenset[str]) -> set[str]:
        return {one.subject for one in events if one.kind is EventKind.RESET and one.facts.get("request") in earlier}

    def carried_out(self, step: Record, before: ScanState, reset: set[str], now_ms: int) -> list[Event]:
        name = step["id"]
        rule, state, by = self.rules[name], self.states[name], self.interlocks[name]
        if step["cmd"] == "stop":
            self.states[name], said = motor.step(rule, state, motor.Trigger.STOP, now_ms)
        else:
            tripped = bool(by) and before.interlocks[by].tripped and by not in reset
            self.states[name], said = motor.start(rule, state, tripped=tripped, now_ms=now_ms)
        return said

    def restarted(self, shift_ms: int, now_ms: int) -> list[Event]:
        told: list[Event] = []
        for name, rule in self.rules.items():
            self.states[name], said = motor.after_restart(rule, self.states[name], shift_ms=shift_ms, now_ms=now_ms)
            told += said
        return told


def place_behind(events: tuple[Event, ...], earlier: frozenset[str]) -> int:
    """How many events lie before something that was asked after these requests."""
    steps = sum(one.kind is EventKind.CLOCK_STEP for one in events)
    behind = [number for number, one in enumerate(events, 1) if one.facts.get("request") in earlier]
    return max([steps, *behind])


def motors_of(timeline: Record) -> Motors:
    options = {name: one or {} for name, one in timeline.get("motors", {}).items()}
    return Motors(
        rules={name: motor_rule(name, one) for name, one in options.items()},
        interlocks={name: one.get("interlock", "") for name, one in options.items()},
        states=dict.fromkeys(options, AT_REST),
    )


@dataclass
class Player:
    """The engine under test with its two clocks."""

    rules: Rules
    state: ScanState
    motors: Motors = field(default_factory=Motors)
    asked: int = 0
    t: float = 0.0
    wall_offset_ms: int = 0
    running: bool = True
    arrivals: list[Arrival] = field(default_factory=list)
    events: list[Record] = field(default_factory=list)
    states: dict[float, dict[str, str]] = field(default_factory=dict)

    def tick(self) -> Tick:
        return Tick(monotonic_ms=ms(self.t), utc_ms=ms(self.t) + self.wall_offset_ms)

    def take(self, step: Record) -> None:
        if "sys" in step:
            self.system(step)
        elif not self.running:
            return
        elif step.get("cmd") in ("start", "stop"):
            self.motors.ask(step, self.arrivals)
        elif "cmd" in step:
            self.arrivals.append(self.request(step))
        else:
            self.arrivals.append(self.sample(step))

    def system(self, step: Record) -> None:
        match step["sys"]:
            case "wall_step":
                self.wall_offset_ms += ms(step["by_s"])
            case "down":
                if self.arrivals or self.motors.asked:
                    self.evaluate()
                self.state = replace(self.state, tick=self.tick())
                self.running = False
            case "up":
                saved, now = self.state.tick, self.tick()
                self.state, events = resume(self.rules, self.state, now, same_boot=True)
                away_ms = max(0, now.utc_ms - saved.utc_ms)
                shift_ms = now.monotonic_ms - saved.monotonic_ms - away_ms
                self.note([*events, *self.motors.restarted(shift_ms, now.monotonic_ms)])
                self.running = True

    def sample(self, step: Record) -> Sample:
        now = self.tick()
        stamp_ms = ms(step["ts"]) if "ts" in step else now.utc_ms
        return Sample(tag=step["tag"], reading=self.reading(step), arrived=now, source_utc_ms=stamp_ms)

    def reading(self, step: Record) -> Reading:
        quality = Quality(step.get("q", "good"))
        if step.get("v") is None:
            return NoNumber(Reason.NOT_FINITE)
        reading = reading_of(float(step["v"]))
        if quality is Quality.BAD:
            return NoNumber(Reason.DEVICE_FAULT)
        if quality is Quality.UNCERTAIN and isinstance(reading, Number):
            return Number(reading.value, Quality.UNCERTAIN)
        return reading

    def request(self, step: Record) -> Request:
        self.asked += 1
        return Request(
            id=f"r{self.asked}",
            action=ACTIONS[step["cmd"]],
            subject=step["id"],
            person="operator",
            role="operator",
            reason="timeline",
            measure="timeline",
            duration_ms=ms(step.get("dur_s", 0)),
            occurrence=step.get("occ", 0),
        )

    def evaluate(self) -> None:
        moment = Moment(tick=self.tick(), arrivals=tuple(self.arrivals))
        self.arrivals = []
        before = self.state
        self.state, outcome = scan(self.rules, before, moment)
        self.note(self.motors.judged(before, self.state, outcome.events, moment.tick.monotonic_ms))

    def note(self, events: "tuple[Event, ...] | list[Event]") -> None:
        for event in events:
            if event.kind not in NAMES:
                continue
            known: Record = {"t": self.t, "ev": NAMES[event.kind], "id": event.subject, "occ": event.occurrence}
            known |= {**event.facts, "reason": event.reason, "cause": event.reason}
            self.events.append(known)

    def remember_states(self) -> None:
        shown = {name: alarm.display(one).value for name, one in self.state.alarms.items()}
        shown |= {name: interlock.display(one).value for name, one in self.state.interlocks.items()}
        shown |= {name: motor.display(one).value for name, one in self.motors.states.items()}
        self.states[self.t] = shown


def play(timeline: Record) -> Player:
    """Run a timeline to its end: every second, and whenever a step says so."""
    rules = rules_of(plant_of(timeline))
    state, _ = first_state(rules, Tick(monotonic_ms=0, utc_ms=0))
    player = Player(rules=rules, state=state, motors=motors_of(timeline))
    steps = sorted(expanded(timeline["steps"]), key=lambda step: float(step["t"]))  # stable: listed order at one t
    instants = sorted({float(t) for t in range(int(timeline["end_t"]) + 1)} | {float(step["t"]) for step in steps})
    for t in instants:
        player.t = t
        for step in [one for one in steps if float(one["t"]) == t]:
            player.take(step)
        if player.running:
            player.evaluate()
        player.remember_states()
    return player
