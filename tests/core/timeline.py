"""Plays a timeline of ``alarm_timelines.yaml`` through the real scan and says what happened."""

from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from typing import Any

from gateway.core import alarm, interlock
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
NOT_BUILT = ("motors",)  # fields of the format that belong to later work

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
class Player:
    """The engine under test with its two clocks."""

    rules: Rules
    state: ScanState
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
        elif "cmd" in step:
            self.arrivals.append(self.request(step))
        else:
            self.arrivals.append(self.sample(step))

    def system(self, step: Record) -> None:
        match step["sys"]:
            case "wall_step":
                self.wall_offset_ms += ms(step["by_s"])
            case "down":
                if self.arrivals:
                    self.evaluate()
                self.state = replace(self.state, tick=self.tick())
                self.running = False
            case "up":
                self.state, events = resume(self.rules, self.state, self.tick(), same_boot=True)
                self.note(events)
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
        return Request(
            id=f"r{len(self.events)}-{self.t}",
            action=ACTIONS[step["cmd"]],
            subject=step["id"],
            person="operator",
            role="operator",
            reason="timeline",
            duration_ms=ms(step.get("dur_s", 0)),
            occurrence=step.get("occ", 0),
        )

    def evaluate(self) -> None:
        moment = Moment(tick=self.tick(), arrivals=tuple(self.arrivals))
        self.arrivals = []
        self.state, outcome = scan(self.rules, self.state, moment)
        self.note(outcome.events)

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
        self.states[self.t] = shown


def play(timeline: Record) -> Player:
    """Run a timeline to its end: every second, and whenever a step says so."""
    rules = rules_of(plant_of(timeline))
    state, _ = first_state(rules, Tick(monotonic_ms=0, utc_ms=0))
    player = Player(rules=rules, state=state)
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
