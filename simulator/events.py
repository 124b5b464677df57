"""The scripted events of scenario section 8, and a calm day. Pure.

An event run alone starts sixty minutes before it strikes, with the start
values of the scenario. It is a function of the time since it struck (negative
before) to what is then wrong, so that ramps and drifts are written the same
way as a broken valve. What the scenario leaves open, when somebody puts it
right again, is told beside each script; the month plays them all one after
another.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace

from simulator.almanac import HOUR_MS, local_ms
from simulator.controller import GW_PERMIT
from simulator.devices import DEVICES, behind
from simulator.faults import SOUND, Faults

LEAD_MS = HOUR_MS
MINUTE_S, HOUR_S, DAY_S = 60.0, 3_600.0, 86_400.0
FASTEST_SILENT = 20.0
WEEKEND_BUFFER_M3 = 33.0  # what the month has on Saturday and Sunday afternoon: without it the flow is half as high
FOREIGN_CODE = 4_242  # means nothing to PC1, so it diverts


@dataclass(frozen=True, slots=True, kw_only=True)
class Written:
    """Somebody other than the gateway writes to PC1.

    Args:
        at_s: seconds after the event struck.
        address: first register; values: from there on.
    """

    at_s: float
    address: int
    values: tuple[int, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Bypass:
    """The visiting operator puts an interlock aside.

    Args:
        at_s: seconds after the event struck.
        interlock: which; minutes: for how long; reason: as entered.
    """

    at_s: float
    interlock: str
    minutes: float
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Hold:
    """The visiting operator announces that an instrument is held.

    Args:
        at_s: seconds after the event struck; negative before it.
        instrument: which; minutes: planned; reason: as entered.
        ends_s: when the visitor ends it, after the event struck; None never does.
    """

    at_s: float
    instrument: str
    minutes: float
    reason: str
    ends_s: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Event:
    """One script.

    Args:
        name: E01 and so on; a letter behind it is a variant.
        says: what happens, in a sentence.
        strikes_ms: local plant time; lead_ms: how long before that a run of it alone begins.
        feed_m3_h: feed at the start; None takes the set point of the start level.
        buffer_m3: contents of the buffer at the start; None takes the scenario's start value.
        faults: what is wrong at so many seconds after it struck.
        silences: devices that fall silent in it; time-outs are real, so it cannot be run at any rate.
        writes: what somebody else writes to PC1.
        bypasses: what the visiting operator puts aside.
        holds: which instruments the visiting operator holds.
        cuts_link: the data link to the office is lost in it.
        fails_storage_s: for so many seconds after it struck the gateway cannot write its record; only a run with
            processes can show it.
        in_month: played in the demonstration month; variants are not.
        days: for how many days it goes on; 0 for hours. Days are for the direct gear alone.
        lacks: what of the scenario's script cannot be played yet; empty when nothing is missing.
    """

    name: str
    says: str
    strikes_ms: int
    lead_ms: int = LEAD_MS
    feed_m3_h: float | None = None
    buffer_m3: float | None = None
    faults: Callable[[float], Faults]
    silences: frozenset[str] = frozenset()
    writes: tuple[Written, ...] = ()
    bypasses: tuple[Bypass, ...] = ()
    holds: tuple[Hold, ...] = ()
    cuts_link: bool = False
    fails_storage_s: float = 0.0
    in_month: bool = True
    days: int = 0
    lacks: str = ""

    @property
    def starts_ms(self) -> int:
        """Local plant time at which a run of this event alone begins."""
        return self.strikes_ms - self.lead_ms


def too_fast(event: Event, rate: float) -> str:
    """Why an event cannot be run at a rate; empty when it can."""
    if not event.silences or rate <= FASTEST_SILENT:
        return ""
    return (
        f"{event.name} silences devices, and the gateway waits real time for an answer that does not come: "
        f"{rate:g} plant seconds a second is too fast, {FASTEST_SILENT:g} is the most (RATE={FASTEST_SILENT:g})"
    )


def _calm(_since_s: float) -> Faults:
    return SOUND


def _during(until_s: float, wrong: Faults, *, from_s: float = 0.0) -> Callable[[float], Faults]:
    """The same faults from one moment to another."""
    return lambda since_s: wrong if from_s <= since_s < until_s else SOUND


def _soaked_media(since_s: float) -> Faults:
    """The feed is given back at 22:00, before the night's wash, which takes the soak away as well."""
    if not -HOUR_S <= since_s < 12 * HOUR_S:
        return SOUND
    struck = frozenset({"F-501"}) if since_s >= 0 else frozenset[str]()
    return Faults(feed_m3_h=0.90, soaked=struck)


_BLOCKED_LINE = Faults(blocked=frozenset({"AIT-510"}), forced={"AIT-510": 0.71})
_LINE_CLEARED_S = 7 * HOUR_S  # 09:10, by whoever comes first

# The tag is forced: water and reading step together, without line and response time.
_WEAK_AND_STUCK = Faults(stuck=frozenset({"XV-901"}), forced={"AIT-801": 1.2}, residual_mg_l=1.2)
_VALVE_FREED_S = 6 * HOUR_S  # 10:20, from the office

_OXYGEN_FALLS_S, _OXYGEN_REPAIRED_S, _LOW_PURITY_PERCENT = 20 * MINUTE_S, 4 * HOUR_S, 55.0


def _oxygen(since_s: float) -> Faults:
    """93 to 55 % over 20 min, and as fast back once it is repaired."""
    down = min(1.0, since_s / _OXYGEN_FALLS_S) - max(0.0, (since_s - _OXYGEN_REPAIRED_S) / _OXYGEN_FALLS_S)
    return Faults(purity_percent=93.0 + (_LOW_PURITY_PERCENT - 93.0) * down) if down > 0 else SOUND


_AS_FOUND = 1.06
_LOW_NTU, _HIGH_NTU = 0.1, 20.0  # standards; the display ends at 20
_CALIBRATION_STEPS: tuple[tuple[float, float | None], ...] = (  # until so many minutes AIT-510 shows so much
    (4, None),
    (10, _LOW_NTU * _AS_FOUND),
    (16, min(_HIGH_NTU, _HIGH_NTU * _AS_FOUND)),
    (22, None),
    (28, _LOW_NTU),
    (34, _HIGH_NTU),
    (40, None),
)
_CALIBRATED_S, _HOLD_FORGOTTEN_S = 40 * MINUTE_S, 4 * HOUR_S


def _calibration(since_s: float) -> Faults:
    """Hold and calibration bits on; the standards show in between."""
    if not 0 <= since_s < _CALIBRATED_S:
        return SOUND
    shows = next(ntu for until_min, ntu in _CALIBRATION_STEPS if since_s < until_min * MINUTE_S)
    forced = {} if shows is None else {"AIT-510": shows}
    return Faults(held=frozenset({"AN1"}), calibrating=frozenset({"AN1"}), forced=forced)


def _calibration_hold_forgotten(since_s: float) -> Faults:
    if not _CALIBRATED_S <= since_s < _HOLD_FORGOTTEN_S:
        return _calibration(since_s)
    return Faults(held=frozenset({"AN1"}))


_DRIFT_MG_L_PER_DAY = -0.06


def _drift(since_s: float) -> Faults:
    return Faults(offsets={"AIT-801": _DRIFT_MG_L_PER_DAY * since_s / DAY_S}) if since_s > 0 else SOUND


_SWAP_S, _ORDER_SET_BACK_S = 45.0, 2 * HOUR_S


def _replaced_controller(since_s: float) -> Faults:
    """A prepared unit takes AN1's place within 45 s; after two hours the visitor sets it to the old order."""
    if not 0 <= since_s < _ORDER_SET_BACK_S:
        return SOUND
    away = frozenset({"AN1"}) if since_s < _SWAP_S else frozenset[str]()
    return Faults(silent=away, byte_orders={"AN1": "ABCD"})


_COM2_DEAD_S, _DIP_V = 4 * MINUTE_S, 187.0


def _lightning(since_s: float) -> Faults:
    """The line is dead; the mains stay low for as long and a minute more, so that PW1 can still tell of it."""
    if not 0 <= since_s < _COM2_DEAD_S + MINUTE_S:
        return SOUND
    lines = frozenset({"COM2"}) if since_s < _COM2_DEAD_S else frozenset[str]()
    return Faults(lines=lines, forced={"EIT-901": _DIP_V})


_OUTAGE_S = 160 * MINUTE_S  # longer than the UPS lasts: in the end every device is silent

_SCRIPTS = (
    Event(
        name="calm",
        says="nothing goes wrong",
        strikes_ms=local_ms("2025-02-26 10:00"),
        faults=_calm,
        in_month=False,
    ),
    Event(
        name="E01",
        says="media of F-501 soaked, its waste valve does not open: cloudy water joins at once",
        strikes_ms=local_ms("2025-02-26 10:00"),
        feed_m3_h=0.90,
        faults=_soaked_media,
    ),
    Event(
        name="E02",
        says="hypochlorite pump P-801 gas-locked: it strokes and delivers nothing",
        strikes_ms=local_ms("2025-02-09 15:00"),
        buffer_m3=WEEKEND_BUFFER_M3,
        faults=_during(3 * HOUR_S, Faults(gas_locked=True)),  # called at +10 min, 1 h 50 min away
    ),
    Event(
        name="E03",
        says="sample line of AIT-510 blocks: no sample flow, the value freezes",
        strikes_ms=local_ms("2025-02-20 02:10"),
        faults=_during(_LINE_CLEARED_S, _BLOCKED_LINE),
    ),
    Event(
        name="E03b",
        says="sample line of AIT-510 blocks and the flow switch sticks on",
        strikes_ms=local_ms("2025-02-20 02:10"),
        faults=_during(_LINE_CLEARED_S, replace(_BLOCKED_LINE, stuck=frozenset({"FSL-510"}))),
        in_month=False,
    ),
    Event(
        name="E04",
        says="lamps age by 0.004 a day: the UV dose falls all month",
        strikes_ms=local_ms("2025-02-01 00:00"),
        faults=_calm,
        days=24,
    ),
    Event(
        name="E05",
        says="oxygen concentrator fails: purity falls from 93 to 55 % in 20 minutes",
        strikes_ms=local_ms("2025-02-08 18:30"),
        buffer_m3=WEEKEND_BUFFER_M3,
        faults=_oxygen,
    ),
    Event(
        name="E06",
        says="grinder P-101A clogs: it draws 10.8 A and lifts 1.2 m3/h until its overload trips",
        strikes_ms=local_ms("2025-02-22 11:30"),
        faults=_during(45.5 * HOUR_S, Faults(clogged=frozenset({"P-101A"}))),  # until Monday's visit at 09:00
    ),
    Event(
        name="E07",
        says="holiday: 54 m3 a day for four days, more than the plant can treat",
        strikes_ms=local_ms("2025-02-14 00:00"),
        faults=_calm,
        days=4,
    ),
    Event(
        name="E08",
        says="data link to the office lost for 72 hours",
        strikes_ms=local_ms("2025-02-18 14:00"),
        faults=_during(72 * HOUR_S, Faults(link_lost=True)),
        cuts_link=True,
        days=3,
        lacks="the text channel that works from +5 h",
    ),
    Event(
        name="E09",
        says="mains lost for 160 minutes; the UPS lasts for 90",
        strikes_ms=local_ms("2025-02-05 19:20"),
        faults=_during(_OUTAGE_S, Faults(mains_lost=True)),
        silences=frozenset(DEVICES),
        lacks="the gateway's own end when the UPS is empty",
    ),
    Event(
        name="E10",
        says="AIT-510 is calibrated for 40 minutes: hold, then standards of 0.1 and 20.0 NTU",
        strikes_ms=local_ms("2025-02-06 10:00"),
        faults=_calibration,
        holds=(Hold(at_s=-60.0, instrument="AN1", minutes=45.0, reason="calibration", ends_s=_CALIBRATED_S + 60.0),),
    ),
    Event(
        name="E10b",
        says="AIT-510 is calibrated, and the hold is forgotten for hours",
        strikes_ms=local_ms("2025-02-06 10:00"),
        faults=_calibration_hold_forgotten,
        in_month=False,
        holds=(Hold(at_s=-60.0, instrument="AN1", minutes=45.0, reason="calibration", ends_s=None),),
    ),
    Event(
        name="E11",
        says="AIT-801 reads low, by 0.06 mg/L more each day; the dose controller overdoses",
        strikes_ms=local_ms("2025-02-08 00:00"),
        faults=_drift,
        days=14,
    ),
    Event(
        name="E12",
        says="a bubble in the AIT-510 cell shows 18 NTU for two readings",
        strikes_ms=local_ms("2025-02-10 21:30"),
        faults=_during(10.0, Faults(forced={"AIT-510": 18.0})),
    ),
    Event(
        name="E13",
        says="residual at the AIT-801 tap falls to 1.2 mg/L and XV-901 sticks at product",
        strikes_ms=local_ms("2025-02-11 04:20"),
        faults=_during(_VALVE_FREED_S, _WEAK_AND_STUCK),
    ),
    Event(
        name="E13b",
        says="AIT-801 shows 1.2 mg/L though the water is good, and XV-901 sticks at product",
        strikes_ms=local_ms("2025-02-11 04:20"),
        faults=_during(_VALVE_FREED_S, replace(_WEAK_AND_STUCK, residual_mg_l=None)),
        in_month=False,
    ),
    Event(
        name="E13c",
        says="residual really falls to 1.2 mg/L, seen through the sample line, and XV-901 sticks at product",
        strikes_ms=local_ms("2025-02-11 04:20"),
        faults=_during(_VALVE_FREED_S, replace(_WEAK_AND_STUCK, forced={})),
        in_month=False,
    ),
    Event(
        name="E14",
        says="AN1 replaced by a unit that sends its numbers in another byte order",
        strikes_ms=local_ms("2025-02-21 09:30"),
        faults=_replaced_controller,
        silences=frozenset({"AN1"}),
    ),
    Event(
        name="E15",
        says="the network's time is an hour ahead for ten minutes",
        strikes_ms=local_ms("2025-02-21 14:00"),
        faults=_during(10 * MINUTE_S, Faults(network_ahead_s=3_600.0)),
    ),
    Event(
        name="E16",
        says="loop of LIT-151 breaks: 3.2 mA",
        strikes_ms=local_ms("2025-02-12 13:00"),
        faults=_during(3 * HOUR_S, Faults(loops={"LIT-151": 5_120.0})),  # Wednesday, somebody is there
    ),
    Event(
        name="E17",
        says="lightning: COM2 dead for four minutes, the mains dip",
        strikes_ms=local_ms("2025-02-02 17:05"),
        faults=_lightning,
        silences=frozenset(device.name for device in behind("COM2")),
    ),
    Event(
        name="E18",
        says="the visiting operator leaves the hypochlorite pump in manual and a bypass on I-07",
        strikes_ms=local_ms("2025-02-24 08:15"),
        faults=_during(6 * HOUR_S, Faults(manual=frozenset({"DP1"}))),
        bypasses=(Bypass(at_s=0.0, interlock="I-07", minutes=240.0, reason="pump bled by hand"),),
    ),
    Event(
        name="E19",
        says="the gateway's storage gives write errors for 20 minutes",
        strikes_ms=local_ms("2025-02-13 03:00"),
        faults=_calm,
        fails_storage_s=20 * MINUTE_S,
    ),
    Event(
        name="E20",
        says="a host with the gateway's address writes register 321 of PC1",
        strikes_ms=local_ms("2025-02-25 01:40"),
        faults=_calm,
        writes=(Written(at_s=0.0, address=GW_PERMIT, values=(FOREIGN_CODE,)),),
    ),
)

EVENTS = {one.name: one for one in _SCRIPTS}
