"""A small plant for tests of the decisions, and a bench that plays it second by second.

Two analyzers: turbidity TURB, which has a sample flow and status bits to vouch for it, and chlorine CHLORINE,
which a person may hold; three levels that doubt each other, and a tank that does not believe jumps. Interlocks: TURB
high (1oo1), TURB bad, CHLORINE low, CHLORINE bad, two of three levels, a full tank (unlatched), and the valve that
does not move, which stops the feed and the supply.
"""

from collections.abc import Sequence
from dataclasses import replace

from gateway.core.alarm import AlarmRule, OnBad, SuppressWhen
from gateway.core.commissioning import Commissioned, CommissioningRule
from gateway.core.condition import BadQuality, Equals, Limit, Side, Tripped, Unproven
from gateway.core.doubt import Partner, Spike
from gateway.core.hold import HoldRule
from gateway.core.interlock import Effect, InterlockRule
from gateway.core.outcome import Event, EventKind, Outcome
from gateway.core.output import OutputRule, Readback
from gateway.core.permissive import Quantity, ReleaseRule, Requirement
from gateway.core.plant import Plant
from gateway.core.quality import Reason
from gateway.core.request import Action, Answer, Origin, Request
from gateway.core.sample import NoNumber, Number, Reading, Sample
from gateway.core.scan import Arrival, Moment, scan
from gateway.core.state import ScanState, first_state, rules_of
from gateway.core.tick import Tick
from gateway.core.validity import BadWhen, HoldWhen, TagRule, ValidWhen
from gateway.core.voting import BadVote, Cause

UTC_MS = 1_738_800_000_000  # 2025-02-06
PERMIT, STOP = 42_405, 13_107
STOP_CODES = {"idle": 0, "stop": STOP, "resume": PERMIT}
OPERATOR = {"person": "VISITOR-OP", "role": "VISITOR-OP"}
STALE_MS = 15_000
BAD_BOUND_MS = 20_000  # a critical input may be without a value for so long
GOOD_WATER = {
    "FLOW-510": 1.0,
    "STS-510": 0.0,
    "TURB": 0.5,
    "HOLD-801": 0.0,
    "CHLORINE": 5.0,
    "LEVEL-A": 40.0,
    "LEVEL-B": 40.0,
    "LEVEL-C": 40.0,
    "TANK": 50.0,
    "ZSC": 1.0,
    "FLOW": 2.0,
    "DIVERTED": 0.0,
}

TAGS = (
    TagRule(tag="FLOW-510", stale_after_ms=STALE_MS),
    TagRule(tag="STS-510", stale_after_ms=STALE_MS),
    TagRule(
        tag="TURB",
        unit="NTU",
        service="turbidity",
        stale_after_ms=STALE_MS,
        valid_when=(ValidWhen(tag="FLOW-510", minimum=1.0, invalid_after_ms=5_000, purge_ms=10_000),),
        bad_when=(BadWhen(tag="STS-510", mask=0b110, reason=Reason.DEVICE_FAULT),),
    ),
    TagRule(tag="HOLD-801", stale_after_ms=STALE_MS),
    TagRule(
        tag="CHLORINE",
        unit="mg/L",
        stale_after_ms=STALE_MS,
        hold_when=HoldWhen(tag="HOLD-801", limit_ms=60_000),
    ),
    *(
        TagRule(
            tag=f"LEVEL-{one}",
            stale_after_ms=STALE_MS,
            partners=(Partner(tag=f"LEVEL-{other}", deviation=10.0, after_ms=2_000),),
        )
        for one, other in ("AB", "BA", "CA")
    ),
    TagRule(tag="TANK", stale_after_ms=STALE_MS, spike=Spike(step=20.0, confirm_ms=5_000)),
    TagRule(tag="ZSC", stale_after_ms=STALE_MS),
    TagRule(tag="FLOW", unit="m3/h", stale_after_ms=STALE_MS),
    TagRule(tag="DIVERTED", unit="m3/h", stale_after_ms=STALE_MS),
)
DIVERT = (Effect(output="product", level="withdrawn"),)
INTERLOCKS = (
    InterlockRule(
        id="I-TURB",
        service="cloudy water",
        causes=(
            Cause(
                inputs=(Limit(tag="TURB", side=Side.HIGH, limit=10.0, deadband=0.5),),
                trip_delay_ms=15_000,
                bad=BadVote.ELSEWHERE,
            ),
        ),
        effects=DIVERT,
        exposure_flow="FLOW",
        exposure_volume_l=5.0,
    ),
    InterlockRule(
        id="I-TURB-BAD",
        service="turbidity unknown",
        causes=(Cause(inputs=(BadQuality(tag="TURB"),), trip_delay_ms=BAD_BOUND_MS),),
        effects=DIVERT,
    ),
    InterlockRule(
        id="I-CHLORINE",
        service="too little chlorine",
        causes=(
            Cause(
                inputs=(Limit(tag="CHLORINE", side=Side.LOW, limit=2.0, deadband=0.2),),
                trip_delay_ms=10_000,
                bad=BadVote.ELSEWHERE,
            ),
        ),
        effects=DIVERT,
    ),
    InterlockRule(
        id="I-CHLORINE-BAD",
        service="chlorine unknown",
        causes=(Cause(inputs=(BadQuality(tag="CHLORINE"),), trip_delay_ms=BAD_BOUND_MS),),
        effects=DIVERT,
    ),
    InterlockRule(
        id="I-LEVELS",
        service="two of three levels high",
        causes=(
            Cause(
                inputs=tuple(Limit(tag=f"LEVEL-{one}", side=Side.HIGH, limit=90.0, deadband=2.0) for one in "ABC"),
                needed=2,
                trip_delay_ms=3_000,
                bad_trip_delay_ms=BAD_BOUND_MS,
            ),
        ),
        effects=DIVERT,
    ),
    InterlockRule(
        id="I-TANK",
        service="tank full",
        causes=(Cause(inputs=(Limit(tag="TANK", side=Side.HIGH, limit=95.0, deadband=2.0),)),),
        effects=DIVERT,
        latched=False,
        restore_delay_ms=5_000,
    ),
    InterlockRule(
        id="I-VALVE",
        service="valve not proven",
        causes=(Cause(inputs=(Unproven(output="product", tag="ZSC"),), trip_delay_ms=30_000),),
        effects=(Effect(output="feed", level="stop"), Effect(output="supply", level="stop")),
        bypassable=False,
    ),
)
OUTPUTS = (
    OutputRule(
        id="product",
        register_tag="GW-PERMIT",
        codes={"permitted": PERMIT, "withdrawn": 0},
        safe_level="withdrawn",
        normal_level="permitted",
        proof_tag="ZSC",
        return_after_ms=100_000,
        return_within_ms=60_000,
    ),
    *(
        OutputRule(
            id=name,
            register_tag=f"GW-{name}",
            codes=STOP_CODES,
            safe_level="stop",
            normal_level="idle",
            resume_level="resume",
            resume_ms=15_000,
            permit=False,
        )
        for name in ("feed", "supply")
    ),
)
PROVEN = Requirement(text="valve proven at divert", condition=Equals(tag="ZSC", value=1.0))
WATER = frozenset({"I-TURB", "I-TURB-BAD", "I-CHLORINE", "I-CHLORINE-BAD", "I-LEVELS"})
ROLES = frozenset({"VISITOR-OP", "DUTY-MGR"})
PRODUCT_RELEASE = ReleaseRule(
    output="product",
    clear_ms=60_000,
    grab=(
        Quantity(name="turbidity_ntu", service="turbidity", at_most=2.0),
        Quantity(name="total_chlorine_mg_l", service="total chlorine", at_least=2.0),
    ),
    requirements=(PROVEN,),
    roles=ROLES,
    remote_allowed=True,
    local_only_after=frozenset({"I-VALVE"}),
    after_outputs=("feed",),
)
RELEASES = (
    PRODUCT_RELEASE,
    ReleaseRule(output="feed", exempt=WATER, requirements=(PROVEN,), roles=ROLES),
    ReleaseRule(output="supply", clear_ms=60_000, exempt=WATER, roles=ROLES, remote_allowed=True),
)
ALARMS = (
    AlarmRule(id="TURB-HIGH", condition=Limit(tag="TURB", side=Side.HIGH, limit=5.0, deadband=0.5), on_delay_ms=5_000),
    AlarmRule(id="TURB-BAD", condition=BadQuality(tag="TURB"), on_bad=OnBad.AS_ALARM, latched=True),
    AlarmRule(
        id="CHLORINE-LOW",
        condition=Limit(tag="CHLORINE", side=Side.LOW, limit=2.5),
        off_delay_ms=3_000,
        suppress_when=SuppressWhen(alarm="TURB-BAD"),
        release_delay_ms=4_000,
    ),
    AlarmRule(id="CLOUDY", condition=Tripped(interlock="I-TURB"), value_tag="TURB"),
    AlarmRule(id="STUCK", condition=Tripped(interlock="I-VALVE"), shelvable=False),
)
HOLDS = HoldRule(
    subjects={
        **{tag: (tag,) for tag in ("TURB", "CHLORINE", "ZSC", "LEVEL-A", "LEVEL-B")},
        "LEVELS": ("LEVEL-A", "LEVEL-B"),
    },
    roles=ROLES,
    longest_ms=600_000,
    grace_ms=30_000,
    settle_ms=5_000,
)
COMMISSIONING = CommissioningRule(
    roles=ROLES, fingerprint="four registers", registers=("GW-HB", "GW-PERMIT", "GW-feed", "GW-supply")
)
COMMISSIONED = Commissioned(
    person="VISITOR-OP", role="VISITOR-OP", utc_ms=UTC_MS, reason="test", fingerprint="four registers"
)
PLANT = Plant(
    tags=TAGS,
    alarms=ALARMS,
    interlocks=INTERLOCKS,
    outputs=OUTPUTS,
    releases=RELEASES,
    holds=HOLDS,
    commissioning=COMMISSIONING,
    first_out_groups={"water": ("TURB-HIGH", "TURB-BAD", "CHLORINE-LOW")},
    grab_quantities={"turbidity_ntu": "turbidity", "total_chlorine_mg_l": "total chlorine"},
)
GOOD_GRAB = {"turbidity_ntu": 0.8, "total_chlorine_mg_l": 5.1}


def plant_with(**changed: object) -> Plant:
    return replace(PLANT, **changed)  # type: ignore[arg-type]


class Bench:
    """The scan with a plant in front of it: ``reads`` is what every poll says, once a second.

    Its outputs are commissioned, unless a state is given that says otherwise.
    """

    def __init__(self, plant: Plant = PLANT, *, state: ScanState | None = None, monotonic_ms: int = 1_000_000) -> None:
        self.rules = rules_of(plant)
        self.monotonic_ms = monotonic_ms
        self.utc_ms = UTC_MS
        self.events: list[Event] = []
        first, said = first_state(self.rules, self.tick())
        self.state = replace(first, commissioned=COMMISSIONED) if state is None else state
        self.events += said
        self.reads: dict[str, Reading] = {tag: Number(value) for tag, value in GOOD_WATER.items()}
        self.silent: set[str] = set()
        self.outcome = Outcome(levels={})
        self._requests = 0

    def tick(self) -> Tick:
        return Tick(monotonic_ms=self.monotonic_ms, utc_ms=self.utc_ms)

    def read(self, **values: float | Reason) -> None:
        """What the next polls say; underscores stand for dashes."""
        for name, value in values.items():
            tag = name.replace("_", "-")
            self.reads[tag] = NoNumber(value) if isinstance(value, Reason) else Number(value)

    def samples(self) -> list[Sample]:
        return [
            Sample(tag=tag, reading=reading, arrived=self.tick(), source_utc_ms=self.utc_ms)
            for tag, reading in self.reads.items()
            if tag not in self.silent
        ]

    def scan(self, *arrivals: Arrival, after_ms: int = 1_000, polled: bool = True) -> Outcome:
        """One second later: the polls, then what else arrives."""
        self.monotonic_ms += after_ms
        self.utc_ms += after_ms
        came = (*(self.samples() if polled else ()), *arrivals)
        self.state, self.outcome = scan(self.rules, self.state, Moment(tick=self.tick(), arrivals=came))
        self.events += self.outcome.events
        return self.outcome

    def run(self, seconds: int) -> list[Event]:
        """Some seconds of scans; returns what they decided."""
        before = len(self.events)
        for _ in range(seconds):
            self.scan()
        return self.events[before:]

    def ask(self, action: Action, subject: str = "", **fields: object) -> Answer:
        """A request with the next scan, and its answer."""
        self._requests += 1
        given = {"reason": "test", "measure": "looked at every hour", **OPERATOR, **fields}
        request = Request(id=f"r{self._requests}", action=action, subject=subject, **given)  # type: ignore[arg-type]
        return self.scan(request).answers[-1]

    def read_back(
        self, codes: dict[str, int], written: dict[str, int] | None = None, confirmed: dict[str, str] | None = None
    ) -> Outcome:
        return self.scan(Readback(codes=codes, written=written or {}, confirmed=confirmed or {}))

    def controlled(self) -> None:
        """The first read of the controller, which every output waits for."""
        self.read_back({"product": 0, "feed": 0, "supply": 0})

    def release(self, output: str, **fields: object) -> Answer:
        """Both steps; the answer of the first one that was refused, or of the second."""
        offered = self.ask(Action.RELEASE, output, **fields)
        return self.ask(Action.RELEASE, output, confirm=offered.confirm, **fields) if offered.granted else offered

    def deliver(self) -> None:
        """From a first start to delivering, the way a person does it."""
        self.controlled()
        self.run(61)
        assert self.ask(Action.GRAB_SAMPLE, measured=GOOD_GRAB).granted
        answer = self.release("product")
        assert answer.granted, answer
        self.read(ZSC=0.0)
        self.run(2)
        assert self.level("product") == "permitted"

    def level(self, output: str) -> str:
        return self.outcome.levels[output]

    def kinds(self, events: Sequence[Event], *subjects: str) -> list[EventKind]:
        return [event.kind for event in events if not subjects or event.subject in subjects]

    def found(self, kind: EventKind, subject: str = "") -> list[Event]:
        return [one for one in self.events if one.kind is kind and (not subject or one.subject == subject)]


REMOTE = {"origin": Origin.REMOTE}
