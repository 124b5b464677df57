"""One cause, one call: what the demo site's rules make of a device, a line, a loop or the mains that go away.

The rules of the folder in the scan itself, with readings that are good but for
what each test takes away. A scan every five seconds, the fastest poll.
"""

from collections.abc import Iterable, Mapping
from collections.abc import Set as AbstractSet
from dataclasses import dataclass, field

import pytest

from gateway.configuration.plant import LoadedSite, load_site
from gateway.configuration.schema import Site
from gateway.core.outcome import Event, EventKind
from gateway.core.quality import Quality, Reason
from gateway.core.sample import NoNumber, Number, Reading, Sample
from gateway.core.scan import Moment, scan
from gateway.core.state import first_state, rules_of
from gateway.core.tick import Tick
from simulator.almanac import local_ms
from simulator.direct import DirectRun
from simulator.events import Event as PlantEvent
from simulator.faults import SOUND, Faults
from tests.configuration.conftest import MARROWFELL

SCAN_S = 5
START_UTC_MS = 1_740_556_800_000
GOOD: Mapping[str, float] = {
    "AIT-510": 0.7, "AIT-511": 0.7, "AIT-512": 0.7, "FIT-510S": 250, "FSL-510": 1, "AN1-TST": 12345.678,
    "AIT-801": 5.5, "AIT-951": 4.0, "FIT-801S": 30, "LI-802R": 74,
    "AIT-701": 74.8, "AIT-702": 101, "AI-703": 215, "AIT-601": 93,
    "FIT-201": 1.0, "FIT-701": 1.0, "FIT-905": 1.0, "FSP-201": 1.0, "FSP-801": 44, "FI-801": 44, "FSL-801": 1,
    "LIT-101": 0.6, "LIT-901": 60, "LIT-810": 80, "LIT-410": 71, "TIT-001": 14, "UPS-SOC": 100,
    "ZSC-901": 1, "PWR-OK": 1, "ESTOP-1": 1,
}  # fmt: skip
WITHOUT_UPS = ("GP1", "VF1", "DP1", "BL1", "FM1", "FM2", "FM3", "FM4", "FM5", "UV1", "OZ1")
BEHIND_COM2 = (*WITHOUT_UPS[:9], "PW1")


@pytest.fixture(scope="module")
def loaded() -> LoadedSite:
    return load_site(MARROWFELL)


@dataclass
class Watch:
    """The decisions, and what they said."""

    loaded: LoadedSite
    said: list[tuple[float, Event]] = field(default_factory=list)
    now_s: float = 0.0

    def __post_init__(self) -> None:
        self.rules = rules_of(self.loaded.plant)
        self.state, _ = first_state(self.rules, self._tick())
        self.silent_s: dict[str, float] = {}
        self.run(60)
        self.said.clear()
        self.now_s = 0.0
        self._since_start_s = 60.0

    _since_start_s: float = 0.0

    def run(
        self, seconds: float, *, silent: Iterable[str] = (), values: Mapping[str, Reading | float] | None = None
    ) -> None:
        """Let time pass with these devices silent and these values instead of the good ones."""
        gone = frozenset(silent)
        for _ in range(int(seconds / SCAN_S)):
            self.now_s += SCAN_S
            samples = [self._sample(tag, one) for tag, one in self._readings(gone, values or {}).items()]
            self.state, outcome = scan(self.rules, self.state, Moment(tick=self._tick(), arrivals=samples))
            self.said += [(self.now_s, event) for event in outcome.events]

    def _readings(self, gone: AbstractSet[str], values: Mapping[str, Reading | float]) -> dict[str, Reading]:
        site = self.loaded.site
        given: dict[str, Reading | float] = {tag: self._good(tag) for tag in site.tags} | _figures(site) | dict(values)
        given |= {tag: NoNumber(Reason.NO_ANSWER) for tag, keys in site.tags.items() if keys.device in gone}
        self.silent_s = {
            device: self.silent_s.get(device, 0.0) + SCAN_S if device in gone else 0.0 for device in site.devices
        }
        given |= {f"{device}-SILENCE": silence_s for device, silence_s in self.silent_s.items()}
        return {
            tag: Number(one, Quality.GOOD, Reason.OK) if isinstance(one, float | int) else one
            for tag, one in given.items()
        }

    def _good(self, tag: str) -> float:
        """Live water moves: the last digit of a reading that would be called frozen does as well."""
        moving = self.loaded.site.tags[tag].frozen_after_s is not None or tag == "PC1-HB"
        return GOOD.get(tag, 0.0) + (self.now_s + self._since_start_s) % 10 * moving / 1_000

    def _sample(self, tag: str, reading: Reading) -> Sample:
        tick = self._tick()
        return Sample(tag=tag, reading=reading, arrived=tick, source_utc_ms=tick.utc_ms, raw=())

    def _tick(self) -> Tick:
        ms = round((self.now_s + self._since_start_s) * 1_000)
        return Tick(monotonic_ms=ms, utc_ms=START_UTC_MS + ms)

    def called(self) -> list[str]:
        """Alarms that were annunciated, in order."""
        return [event.subject for _, event in self.said if event.kind is EventKind.ALARM]

    def hidden(self) -> set[str]:
        """Alarms that came and were silenced."""
        return {e.subject for _, e in self.said if (e.kind, e.reason) == (EventKind.HIDDEN_CHANGE, "alarm")}

    def tripped(self) -> set[str]:
        """Interlocks that tripped."""
        return {event.subject for _, event in self.said if event.kind is EventKind.TRIP}


def _figures(site: Site) -> dict[str, float]:
    return dict.fromkeys(site.own_tags, 0.0)


@pytest.fixture
def watch(loaded: LoadedSite) -> Watch:
    return Watch(loaded)


def test_a_good_plant_calls_nobody(watch: Watch) -> None:
    watch.run(1_000)
    assert watch.called() == []
    assert watch.tripped() == set()


ALONE = {
    "PC1": ["CONTROLLER-LOST"],
    **{device: [f"{device}-SILENT"] for device in ("AN1", "AN2", "AN3", "UV1", "OZ1", "RI1", *BEHIND_COM2)},
}


@pytest.mark.parametrize("device", ALONE)
def test_a_silent_device_makes_one_call(watch: Watch, device: str) -> None:
    watch.run(400, silent=[device])
    watch.run(400)
    assert watch.called() == ALONE[device]


@pytest.mark.parametrize(
    ("line", "devices"), [("COM1", ("AN1", "AN2", "AN3")), ("COM2", BEHIND_COM2)], ids=["COM1", "COM2"]
)
def test_a_silent_line_makes_one_call_and_lists_its_devices(watch: Watch, line: str, devices: tuple[str, ...]) -> None:
    watch.run(240, silent=devices)
    assert {f"{device}-SILENT" for device in devices} <= watch.hidden()
    for number in range(len(devices)):  # they come back one after the other
        watch.run(5, silent=devices[number:])
    watch.run(400)
    assert watch.called() == [f"LINE-{line}-SILENT"]


def test_lost_mains_call_once_after_ten_minutes_however_much_falls_silent(watch: Watch) -> None:
    watch.run(590, silent=WITHOUT_UPS, values={"PWR-OK": 0})
    assert watch.called() == []
    watch.run(60, silent=WITHOUT_UPS, values={"PWR-OK": 0})
    watch.run(400)
    assert watch.called() == ["MAINS-LOST"]
    assert {"I-10a", "I-10b", "I-04", "I-05b"} == watch.tripped()


def test_a_broken_loop_is_told_as_that_loop_alone(watch: Watch) -> None:
    watch.run(400, values={"LIT-151": NoNumber(Reason.LOOP_FAULT)})
    assert watch.called() == ["LIT-151-UNKNOWN"]


def test_a_changed_byte_order_is_told_and_diverts(watch: Watch) -> None:
    watch.run(120, values={"AN1-TST": 0.001})
    assert set(watch.called()) == {"AN1-ORDER", "TURBIDITY-UNKNOWN"}
    assert watch.tripped() == {"I-05"}


CLEANING: Mapping[str, Reading | float] = {"AIT-701": NoNumber(Reason.SENTINEL), "AN3-STS": 1}


def test_cleaning_of_the_transmittance_monitor_may_last_five_minutes(watch: Watch) -> None:
    watch.run(290, values=CLEANING)
    watch.run(60)
    assert (watch.tripped(), watch.called()) == (set(), [])
    watch.run(310, values=CLEANING)
    assert (watch.tripped(), watch.called()) == ({"I-05b"}, ["UVT-CLEANING"])


@pytest.mark.parametrize("state", [0, 2, 3])
def test_no_transmittance_without_cleaning_counts_after_a_minute(watch: Watch, state: int) -> None:
    watch.run(55, values={**CLEANING, "AN3-STS": state})
    assert watch.tripped() == set()
    watch.run(15, values={**CLEANING, "AN3-STS": state})
    assert (watch.tripped(), watch.called()) == ({"I-05b"}, ["UVT-UNKNOWN"])


def test_a_lamp_diverts_at_once_and_no_hypochlorite_after_ten_minutes(watch: Watch) -> None:
    watch.run(5, values={"UV1-STS": 0b10})
    assert watch.tripped() == {"I-04"}
    watch.run(590, values={"FI-801": 0})
    assert watch.tripped() == {"I-04"}
    assert "HYPOCHLORITE-LATE" in watch.called()
    watch.run(20, values={"FSL-801": 0})
    assert watch.tripped() == {"I-04", "I-07"}


def test_without_flow_neither_contact_nor_dose_is_judged(watch: Watch) -> None:
    nothing = {"FIT-701": 0.0, "FSP-201": 0.0, "FSP-801": 0.0, "FI-801": 0.0, "FSL-801": 0, "AIT-702": 1.0}
    watch.run(600, values=nothing)
    assert watch.tripped() == {"I-17"}
    assert watch.called() == []


def _unseen_for_ten_minutes(loaded: LoadedSite, silent: set[str]) -> set[str]:
    """Interlocks that trip when these devices fall silent while the water is diverted."""
    gone = Faults(silent=frozenset(silent))
    unseen = PlantEvent(
        name="unseen",
        says="the limit switch of XV-901 cannot be read",
        strikes_ms=local_ms("2025-02-26 10:00"),
        lead_ms=120_000,
        faults=lambda since_s: gone if since_s >= 0 else SOUND,
    )
    run = DirectRun(loaded, unseen)
    run.run_to(unseen.strikes_ms + 600_000)
    return {one.event.subject for one in run.told if one.event.kind is EventKind.TRIP}


def test_a_valve_that_is_not_seen_counts_as_diverting_while_the_flow_shows_it(loaded: LoadedSite) -> None:
    assert "I-08" not in _unseen_for_ten_minutes(loaded, {"RI1"})
    assert "I-08" in _unseen_for_ten_minutes(loaded, {"RI1", "FM3"})


def test_weak_oxygen_is_named_as_the_first_cause(watch: Watch) -> None:
    weak = {"AIT-601": 60.0}
    watch.run(400, values=weak)
    watch.run(700, values={**weak, "AIT-702": 38, "AI-703": 81})
    watch.run(700, values={**weak, "AIT-702": 38, "AI-703": 81, "AIT-701": 68.0})
    first = [event.subject for _, event in watch.said if event.kind is EventKind.FIRST_OUT]
    assert first == ["OXYGEN-LOW"]
    assert watch.called() == ["OXYGEN-LOW", "UV-DOSE-LOW", "UVT-LOW"]
