"""The whole plant in step: water, instruments, PC1 and what is wrong with them.

The one mutable object around the pure parts: it holds their states and the
seeded generators, and moves them on together in fixed steps, so that the same
seed and the same writes give the same plant whatever the speed. PC1 and its
valves move in fine steps, water and instruments in coarser ones.
"""

import random
from collections import deque
from dataclasses import dataclass, replace

from simulator import controller as pc1
from simulator import device_values, faults, instruments, process, ultraviolet
from simulator.almanac import SECOND_MS, local_time, utc_ms
from simulator.controller import Controller, Inputs
from simulator.device_values import Registers
from simulator.devices import DEVICES, ON_UPS, Image
from simulator.events import EVENTS, Event
from simulator.faults import Faults
from simulator.process import Controls, State
from simulator.tanks import EQ_M3

LOOP_SOUND_COUNTS = (5_760, 33_600)  # of a 4-20 mA loop, as PC1 sees it
NOTICES_KEPT = 200  # the oldest are forgotten; whoever prints them reads them many times a second


@dataclass(frozen=True, slots=True, kw_only=True)
class Pace:
    """Length of the steps.

    Args:
        controller_ms: PC1 and its valves; divides ``water_ms``.
        water_ms: process and instruments; up to 10 s.
    """

    controller_ms: int = 100
    water_ms: int = SECOND_MS


@dataclass(frozen=True, slots=True)
class Notice:
    """Something that changed, in words, at a local plant time."""

    at_ms: int
    text: str


class Plant:
    """Marrowfell Saddle.

    Args:
        event: what will go wrong.
        seed: of all noise.
        start_ms: local plant time; None begins sixty minutes before the event.
        pace: length of the steps.
    """

    def __init__(self, event: Event, *, seed: int = 1, start_ms: int | None = None, pace: Pace | None = None) -> None:
        self.event = event
        self.strikes_ms = event.strikes_ms
        self.started_ms = event.starts_ms if start_ms is None else start_ms
        self.pace = pace or Pace()
        self.state = process.start(self.started_ms, feed_m3_h=event.feed_m3_h, buffer_m3=event.buffer_m3)
        self.panel = instruments.settled(device_values.true_values(self.state))
        self.controller = pc1.started(self.started_ms)
        self.added = faults.SOUND
        self.notices: deque[Notice] = deque(maxlen=NOTICES_KEPT)
        self._water_draws = random.Random(f"{seed}:water")
        self._panel_draws = random.Random(f"{seed}:instruments")
        self._product_shares: list[float] = []
        self._registers = {name: Registers(device) for name, device in DEVICES.items()}
        self._images: dict[str, Image] = {}
        self._imaged: tuple[object, object, object, object] = (None, None, None, None)  # what the images show
        self._wrong: tuple[tuple[int, Event, int, Faults], Faults] | None = None

    @property
    def now_ms(self) -> int:
        """Local plant time up to which everything has been moved."""
        return self.controller.now_ms

    @property
    def faults(self) -> Faults:
        """What is wrong now: by the script and by hand. The same object as long as it is the same."""
        asked = (self.now_ms, self.event, self.strikes_ms, self.added)
        if self._wrong is None or self._wrong[0] != asked:
            now = faults.both(self.event.faults((self.now_ms - self.strikes_ms) / SECOND_MS), self.added)
            same = self._wrong is not None and self._wrong[1] == now
            self._wrong = (asked, self._wrong[1] if self._wrong is not None and same else now)
        return self._wrong[1]

    def deaf(self, device: str) -> bool:
        """Whether a device says nothing: it is silent, its line is dead, or it has no power."""
        wrong = self.faults
        unpowered = self.state.supply.dead or (wrong.mains_lost and device not in ON_UPS)
        return unpowered or device in wrong.silent or DEVICES[device].line in wrong.lines

    def slow_s(self, device: str) -> float:
        """How much longer than usual a device takes to answer, plant seconds."""
        return self.faults.slow.get(device, 0.0)

    def advance(self, to_ms: int) -> None:
        """Move everything on, in whole steps, to a local plant time at the latest."""
        while self.now_ms + self.pace.controller_ms <= to_ms:
            self._step_controller()
            if (self.now_ms - self.started_ms) % self.pace.water_ms == 0:
                self._step_water()

    def strike(self, event: Event, *, in_s: float = 0.0) -> None:
        """Another script takes over and strikes after so many plant seconds."""
        self.event = event
        self.strikes_ms = self.now_ms + round(in_s * SECOND_MS)

    def write(self, *, address: int, values: tuple[int, ...]) -> None:
        """A function-16 request to PC1.

        Raises:
            NotWritable: not wholly within 320 to 323.
        """
        self._replace_controller(pc1.written(self.controller, address=address, values=values, at_ms=self.now_ms))

    def restart_controller(self) -> None:
        """PC1 loses its supply for a moment: registers zero, solenoids off."""
        self._note("PC1 restarts, its registers are zero")
        self._replace_controller(pc1.restarted(self.controller, self.now_ms))

    def reset_controller(self) -> None:
        """Somebody presses PC1's reset button."""
        self._replace_controller(pc1.reset(self.controller))

    def image(self, device: str) -> Image:
        """What a device would answer now."""
        wrong = self.faults
        state, panel, controller, faults_then = self._imaged
        if not (state is self.state and panel is self.panel and controller is self.controller and faults_then is wrong):
            self._imaged = (self.state, self.panel, self.controller, wrong)
            self._images.clear()
        known = self._images.get(device)
        if known is None:
            known = self._registers[device].image(
                state=self.state, panel=self.panel, controller=self.controller, faults=wrong
            )
            self._images[device] = known
        return known

    def _step_controller(self) -> None:
        wrong = self.faults
        buffer_share = self.panel.reading("LIT-151") / 100
        inputs = Inputs(
            mains=not wrong.mains_lost,
            feed_m3_h=process.feed_setpoint_m3_h(buffer_share),
            buffer_seen=_sound(wrong.loops.get("LIT-151")),
            held_feed_m3_h=wrong.feed_m3_h,
            ozone_ppm=self.panel.reading("AIT-609"),
            sump_m=self.panel.reading("LIT-101"),
            sump_float=self.state.sump.high_float,
            stuck=wrong.stuck,
            filter_modes=(self.state.filters[0].mode, self.state.filters[1].mode),
        )
        before_ms = self.now_ms
        self._replace_controller(pc1.step(self.controller, inputs, at_ms=before_ms + self.pace.controller_ms))
        self._product_shares.append(self.controller.product_position)
        if before_ms < self.strikes_ms <= self.now_ms:
            self._note(f"{self.event.name} strikes: {self.event.says}")
        for one in self.event.writes:
            if before_ms < self.strikes_ms + one.at_s * SECOND_MS <= self.now_ms:
                self._note(f"somebody else writes {one.values} to PC1 from register {one.address} on")
                self.write(address=one.address, values=one.values)

    def _step_water(self) -> None:
        wrong, dt_s = self.faults, self.pace.water_ms / SECOND_MS
        controls = Controls(
            feed_setpoint_m3_h=self.controller.setpoint_m3_h,
            feed_runs=self.controller.feed_runs,
            product_share=sum(self._product_shares) / len(self._product_shares),
            supply_share=self.controller.supply_position * self.controller.pump_runs,
            mains=not wrong.mains_lost,
            lag_forced=self.controller.sump_high,
            clogged=wrong.clogged,
            ozone_off=self.controller.ozone_off,
            purity_percent=wrong.purity_percent,
            gas_locked=wrong.gas_locked,
            hypo_manual="DP1" in wrong.manual,
            reading_mg_l=self.panel.reading("AIT-801"),
            soaked=wrong.soaked,
            tap_mg_l=wrong.residual_mg_l,
        )
        self._product_shares.clear()
        was_dead = self.state.supply.dead
        self.state = process.step(self.state, controls, dt_s=dt_s, draws=self._water_draws)
        if was_dead and not self.state.supply.dead:
            self.restart_controller()
        self.panel = instruments.step(
            self.panel,
            device_values.true_values(self.state),
            wrong,
            at_ms=self.state.at_ms,
            dt_s=dt_s,
            draws=self._panel_draws,
        )

    def _replace_controller(self, after: Controller) -> None:
        for text in changes(self.controller, after):
            self.notices.append(Notice(after.now_ms, text))
        self.controller = after

    def _note(self, text: str) -> None:
        self.notices.append(Notice(self.now_ms, text))


def calm(*, seed: int = 1, start_ms: int | None = None, pace: Pace | None = None) -> Plant:
    """A plant to which nothing happens."""
    return Plant(EVENTS["calm"], seed=seed, start_ms=start_ms, pace=pace)


def _sound(counts: float | None) -> bool:
    """Whether PC1 takes a loop for sound; None are the counts that belong to the level."""
    lowest, highest = LOOP_SOUND_COUNTS
    return counts is None or lowest <= counts <= highest


def changes(before: Controller, after: Controller) -> list[str]:
    """What a person beside PC1 would notice, in words."""
    seen = (
        (before.permitted, after.permitted, "GW-PERMIT reads 42405", "GW-PERMIT is withdrawn"),
        (before.heartbeat_lost, after.heartbeat_lost, "gateway heartbeat lost", "gateway heartbeat good for 60 s"),
        (before.mains_dropped, after.mains_dropped, "mains lost, solenoids drop", "mains back"),
        (before.product_solenoid, after.product_solenoid, "XV-901 commanded to product", "XV-901 commanded to divert"),
        (before.proven_product, after.proven_product, "XV-901 proven at product", "XV-901 left product"),
        (before.proven_divert, after.proven_divert, "XV-901 proven at divert", "XV-901 left divert"),
        (before.feed_stopped, after.feed_stopped, "feed stopped by the stop code", "feed released"),
        (
            before.supply_stopped,
            after.supply_stopped,
            "toilet supply stopped by the stop code",
            "toilet supply released",
        ),
        (before.ozone_off, after.ozone_off, "ozone in the room air: ozone skid off", "ozone skid may run again"),
        (before.sump_high, after.sump_high, "sump high: lag pump on", "sump no longer high"),
    )
    return [now if new else gone for old, new, now, gone in seen if old != new]


def truth(plant: Plant) -> dict[str, object]:
    """Everything that is true now, ready for JSON: litres and minutes since the start, times as UTC milliseconds.

    ``contact_mg_min_l`` is null while nothing flows.
    """
    state, controller = plant.state, plant.controller
    return {
        "local": local_time(plant.now_ms).isoformat(sep=" ", timespec="seconds").removesuffix("+00:00"),
        "utc_ms": utc_ms(plant.now_ms),
        "event": plant.event.name,
        "since_event_s": (plant.now_ms - plant.strikes_ms) / SECOND_MS,
        "mains": not plant.faults.mains_lost,
        "link_lost": plant.faults.link_lost,
        **_water(state, controller),
        **_valves(controller),
        **_counts(state),
    }


def _water(state: State, controller: Controller) -> dict[str, object]:
    through = state.tap.flow_m3_h
    return {
        "turbidity_tap_ntu": round(state.tap.turbidity_ntu, 3),
        "turbidity_valve_ntu": round(state.at_valve_ntu, 3),
        "chlorine_tap_mg_l": round(state.chlorine.outlet_mg_l, 3),
        "chlorine_valve_mg_l": round(state.at_valve_mg_l, 3),
        "chlorine_tank_mg_l": round(state.tank.residual_mg_l, 3),
        "valve_water_out_of_limits": state.valve_water_out_of_limits,
        "uv_dose_mj_cm2": round(state.dose_mj_cm2, 2),
        "uvt_percent": round(state.ozone.uvt_percent, 2),
        "lamp_factor": round(ultraviolet.lamp_factor(state.at_ms), 4),
        "contact_mg_min_l": None if state.contact_mg_min_l is None else round(state.contact_mg_min_l, 1),
        "ozone_dose_mg_l": round(state.ozone.dose_mg_l, 2),
        "hypo_dose_mg_l": round(state.chlorine.dose_mg_l, 2),
        "hypo_delivered_ml_h": round(state.dosing.delivered_ml_h, 1),
        "inflow_m3_h": round(state.inflow_m3_h, 3),
        "sump_m": round(state.sump.level_m, 3),
        "feed_m3_h": round(state.feed_m3_h, 3),
        "through_m3_h": round(through, 3),
        "product_m3_h": round(through * controller.product_position, 3),
        "diverted_m3_h": round(through * (1 - controller.product_position), 3),
        "delivered_m3_h": round(state.tank.delivered_m3_h, 3),
        "makeup_m3_h": round(state.tank.makeup_m3_h, 3),
        "buffer_m3": round(state.buffers.eq_m3, 2),
        "tank_m3": round(state.tank.volume_m3, 2),
        "emergency_tank_m3": round(state.buffers.eht_m3, 2),
        "spilled_m3": round(state.buffers.spilled_m3, 3),
        "ups_percent": round(state.supply.ups_share * 100, 1),
    }


def _valves(controller: Controller) -> dict[str, object]:
    return {
        "permitted": controller.permitted,
        "heartbeat_lost": controller.heartbeat_lost,
        "cause": controller.cause,
        "product_commanded": controller.product_solenoid,
        "product_position": controller.product_position,
        "proven_product": controller.proven_product,
        "proven_divert": controller.proven_divert,
        "feed_stopped": controller.feed_stopped,
        "feed_runs": controller.feed_runs,
        "supply_stopped": controller.supply_stopped,
        "supply_proven_closed": controller.supply_proven_closed,
    }


def _counts(state: State) -> dict[str, object]:
    totals = state.totals
    return {
        "into_tank_l": round(totals.into_tank_m3 * 1000, 2),
        "diverted_l": round(totals.diverted_m3 * 1000, 2),
        "delivered_l": round(totals.delivered_m3 * 1000, 2),
        "makeup_l": round(totals.makeup_m3 * 1000, 2),
        "out_of_limits_into_tank_l": round(totals.spoiled_m3 * 1000, 3),
        "out_of_limits_turbidity_l": round(totals.spoiled_turbidity_m3 * 1000, 3),
        "out_of_limits_chlorine_l": round(totals.spoiled_chlorine_m3 * 1000, 3),
        "into_tank_below_dose_l": round(totals.underdosed_m3 * 1000, 2),
        "into_tank_below_contact_l": round(totals.short_m3 * 1000, 2),
        "feed_l": round(totals.feed_m3 * 1000, 2),
        "tap_above_10_ntu_min": round(totals.above_10_s / 60, 2),
        "tap_above_5_ntu_min": round(totals.above_5_s / 60, 2),
        "tap_above_2_ntu_min": round(totals.above_2_s / 60, 2),
        "tap_peak_ntu": round(totals.peak_ntu, 2),
    }


class StandIn:
    """Stands in for the gateway where there is none: heartbeat and permission, and TANK-FULL (I-13). Nothing else.

    For running the plant alone and for the baseline table. It protects nobody.
    """

    PERIOD_MS = 5_000
    FULL, BACK, BACK_MS = 0.95, 0.93, 300_000

    def __init__(self) -> None:
        self._beat = 0
        self._written_ms = 0
        self._room_since_ms: int | None = 0

    def act(self, plant: Plant) -> None:
        """Write, if it is time to."""
        if plant.now_ms - self._written_ms < self.PERIOD_MS:
            return
        self._beat = (self._beat + 1) % pc1.HEARTBEAT_ROLLS
        self._written_ms = plant.now_ms
        permit = pc1.PERMITTED if self._room(plant) else 0
        plant.write(address=pc1.FIRST_WRITABLE, values=(self._beat, permit, 0, 0))

    def _room(self, plant: Plant) -> bool:
        """Whether the tank may take more: full above 95 %, room again below 93 % for five minutes."""
        share = plant.state.tank.share
        if share > self.FULL or (self._room_since_ms is None and share >= self.BACK):
            self._room_since_ms = None
        elif self._room_since_ms is None:
            self._room_since_ms = plant.now_ms + self.BACK_MS
        elif share >= self.BACK and self._room_since_ms > plant.now_ms:
            self._room_since_ms = None
        return self._room_since_ms is not None and plant.now_ms >= self._room_since_ms


def with_levels(plant: Plant, *, tank_m3: float | None = None, eq_m3: float | None = None) -> State:
    """The water with other levels in the recycled-water tank or the buffer, for tests."""
    tank = plant.state.tank if tank_m3 is None else replace(plant.state.tank, volume_m3=tank_m3)
    buffers = plant.state.buffers if eq_m3 is None else replace(plant.state.buffers, eq_m3=min(EQ_M3, eq_m3))
    return replace(plant.state, tank=tank, buffers=buffers)
