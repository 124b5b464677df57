"""The water of Marrowfell Saddle: one step of time from sump to toilet. Pure.

Decides how water flows and what is in it, by the equations of the scenario's
sections 3 and 4, and keeps count of what is true: which litres were out of
limits when they reached the valve, and where the valve sent them. It knows no
instrument and no register: what devices show of it is decided elsewhere.

The equations of each stage stand in its own module; here they are put in the
order in which the water meets them.
"""

import random
from collections.abc import Iterator
from dataclasses import dataclass, field

from simulator import chlorine as chlorination
from simulator import dosing as hypo
from simulator import filters as filtration
from simulator import ozone as ozonation
from simulator import passage, power, ultraviolet
from simulator.almanac import SECOND_MS, planned_inflow_m3_h
from simulator.chlorine import Chlorine
from simulator.dosing import Dosing
from simulator.filters import Filter
from simulator.noise import wander
from simulator.ozone import Ozone
from simulator.passage import Parcel, Passage
from simulator.power import Supply
from simulator.tanks import EQ_M3, Buffers, RecycledTank, Sump, step_buffers, step_sump, step_tank
from simulator.ultraviolet import Lamps
from simulator.wide_records import renewed

TAP_TO_VALVE_M3 = 5.15  # AIT-510 tap to XV-901: 0.60 + 0.03 + 4.50 + 0.02
OUTLET_TO_VALVE_M3 = 0.006  # AIT-801 tap to XV-901
GUST_MS = 10_000  # one lognormal factor of the inflow lasts this long
GUST_MU, GUST_SIGMA = -0.06, 0.35
FEED_LAG_S = 300.0
DEMAND_SHARE = 0.45
HIGH_FLOW_M3_H = 1.8
NTU_NEVER, NTU_BRIEFLY, BRIEFLY_S, NTU_MEAN = 10.0, 5.0, 300.0, 2.0
CHLORINE_LEAST_MG_L = 2.0
CONTACT_LEAST_MG_MIN_L, DOSE_LEAST_MJ_CM2 = 450.0, 100.0
MODAL_MIN_M3_H = 189.0  # modal contact minutes are this over the flow: 0.70 x 4.50 x 60


@dataclass(frozen=True, slots=True, kw_only=True)
class Controls:
    """What is done to the water during a step.

    Args:
        feed_setpoint_m3_h: by PC1; feed_runs: P-201 has power and no stop.
        product_share: mean position of XV-901, 1 at product, 0 at divert.
        supply_share: how far the toilets are supplied, 1 open and pumping.
        mains: power for everything that is not on the UPS.
        lag_forced: P-101B on, whatever its level (I-15); clogged: grinders with something stuck in them.
        ozone_off: PC1 has switched the skid off (I-14); purity_percent: of its oxygen, None is what it makes.
        reading_mg_l: AIT-801 as the dose controller sees it.
        gas_locked: P-801 delivers nothing; hypo_manual: it stands in manual.
        soaked: filters struck by a media soak (event E01).
        tap_mg_l: forces the residual at the AIT-801 tap; None leaves it to the chemistry.
    """

    feed_setpoint_m3_h: float
    feed_runs: bool = True
    product_share: float = 0.0
    supply_share: float = 1.0
    mains: bool = True
    lag_forced: bool = False
    clogged: frozenset[str] = frozenset()
    ozone_off: bool = False
    purity_percent: float | None = None
    reading_mg_l: float = chlorination.WANTED_MG_L
    gas_locked: bool = False
    hypo_manual: bool = False
    soaked: frozenset[str] = frozenset()
    tap_mg_l: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Tap:
    """The water at the AIT-510 tap: both filters' water that joins, mixed by flow.

    Args:
        turbidity_ntu: stays at the last value while nothing flows.
        flow_m3_h: through the tap and on through UV and the contact tank (FIT-701).
        above_5_s: how long it has been above 5 NTU without a break.
    """

    turbidity_ntu: float = 0.71
    flow_m3_h: float = 0.0
    above_5_s: float = 0.0

    @property
    def out_of_limits(self) -> bool:
        """Above 10 NTU, or above 5 NTU for more than five minutes."""
        return self.turbidity_ntu > NTU_NEVER or self.above_5_s > BRIEFLY_S


@dataclass(frozen=True, kw_only=True)
class Totals:
    """What has happened since the start, counted from the water itself.

    Args:
        feed_m3: through P-201; into_tank_m3, diverted_m3: through XV-901, each way.
        delivered_m3, makeup_m3: to the toilets; potable water fallen in.
        spoiled_m3: out of limits and into the tank all the same; by turbidity, by chlorine, either.
        underdosed_m3, short_m3: into the tank while the UV dose, while the contact (CT) was below its limit.
        above_10_s, above_5_s, above_2_s: at the AIT-510 tap; peak_ntu: highest there.
    """

    feed_m3: float = 0.0
    into_tank_m3: float = 0.0
    diverted_m3: float = 0.0
    delivered_m3: float = 0.0
    makeup_m3: float = 0.0
    spoiled_m3: float = 0.0
    spoiled_turbidity_m3: float = 0.0
    spoiled_chlorine_m3: float = 0.0
    underdosed_m3: float = 0.0
    short_m3: float = 0.0
    above_10_s: float = 0.0
    above_5_s: float = 0.0
    above_2_s: float = 0.0
    peak_ntu: float = 0.0


@dataclass(frozen=True, kw_only=True)
class State:
    """All water of the plant at one instant.

    Args:
        at_ms: local plant time.
        gust: factor on the inflow until the next ten seconds begin.
        inflow_m3_h: from the lodges; feed_m3_h: through P-201, bioreactor and filters.
        influent_ntu: filter influent; influent_noise_ntu: its wandering part.
        diverted_m3_h: through XV-901 to the absorption bed.
        pipe: tap to valve, carrying turbidity and its mark; tail: AIT-801 tap to valve, carrying chlorine.
    """

    at_ms: int
    gust: float = 1.0
    inflow_m3_h: float = 0.0
    feed_m3_h: float
    diverted_m3_h: float = 0.0
    influent_ntu: float = 3.2
    influent_noise_ntu: float = 0.0
    sump: Sump = field(default_factory=Sump)
    buffers: Buffers = field(default_factory=Buffers)
    filters: tuple[Filter, Filter]
    tap: Tap = field(default_factory=Tap)
    pipe: Passage
    ozone: Ozone = field(default_factory=Ozone)
    lamps: Lamps = field(default_factory=Lamps)
    dosing: Dosing = field(default_factory=Dosing)
    supply: Supply = field(default_factory=Supply)
    chlorine: Chlorine = field(default_factory=Chlorine)
    tail: Passage
    tank: RecycledTank = field(default_factory=RecycledTank)
    totals: Totals = field(default_factory=Totals)

    @property
    def dose_mj_cm2(self) -> float:
        """UV dose of the water that passes the reactor now."""
        return ultraviolet.dose_mj_cm2(
            self.lamps, at_ms=self.at_ms, uvt_percent=self.ozone.uvt_percent, flow_m3_h=self.tap.flow_m3_h
        )

    @property
    def intensity_w_m2(self) -> float:
        """What the sensor in the UV reactor sees."""
        return ultraviolet.intensity_w_m2(self.lamps, at_ms=self.at_ms, uvt_percent=self.ozone.uvt_percent)

    @property
    def contact_mg_min_l(self) -> float | None:
        """CT as the permit reckons it: outlet residual by modal contact; None while nothing flows."""
        flow_m3_h = self.tap.flow_m3_h
        return self.chlorine.outlet_mg_l * MODAL_MIN_M3_H / flow_m3_h if flow_m3_h > 0 else None

    @property
    def at_valve_ntu(self) -> float:
        """Turbidity of the water that reaches XV-901 now."""
        return self.pipe.outlet.value

    @property
    def at_valve_mg_l(self) -> float:
        """Chlorine of the water that reaches XV-901 now."""
        return self.tail.outlet.value

    @property
    def valve_water_out_of_limits(self) -> bool:
        """Whether the water that reaches XV-901 now may not enter the tank."""
        return self.pipe.outlet.marked or self.at_valve_mg_l < CHLORINE_LEAST_MG_L


def feed_setpoint_m3_h(eq_share: float) -> float:
    """Feed by the level of the buffer (0 to 1); nothing below 5 %."""
    if eq_share < 0.05:
        return 0.0
    return min(2.0, max(0.6, 0.6 + 1.4 * (eq_share - 0.15) / 0.55))


def start(at_ms: int, *, feed_m3_h: float | None = None, buffer_m3: float | None = None) -> State:
    """The plant with the start values of sections 3, 4 and 8.

    Args:
        at_ms: local plant time.
        feed_m3_h: feed at the start; None takes the set point that belongs to the buffer's level.
        buffer_m3: contents of the buffer; None takes the start value.
    """
    buffers = Buffers() if buffer_m3 is None else Buffers(eq_m3=buffer_m3)
    flow_m3_h = feed_setpoint_m3_h(buffers.eq_m3 / EQ_M3) if feed_m3_h is None else feed_m3_h
    return State(
        at_ms=at_ms,
        feed_m3_h=flow_m3_h,
        buffers=buffers,
        filters=(
            filtration.ripe("F-501", at_ms=at_ms, flow_m3_h=flow_m3_h),
            filtration.ripe("F-502", at_ms=at_ms, flow_m3_h=flow_m3_h),
        ),
        tap=Tap(flow_m3_h=flow_m3_h),
        ozone=Ozone(production_g_h=ozonation.DOSE_MG_L * flow_m3_h),
        dosing=hypo.started(wanted_mg_l=chlorination.START_DOSE_MG_L, flow_m3_h=flow_m3_h),
        pipe=passage.filled(TAP_TO_VALVE_M3, value=0.71, grain_m3=0.005),
        tail=passage.filled(OUTLET_TO_VALVE_M3, value=chlorination.START_CELLS_MG_L, grain_m3=0.0005),
    )


def step(state: State, controls: Controls, *, dt_s: float, draws: random.Random) -> State:
    """The plant after a step, in the order in which the water meets things.

    Args:
        state: before.
        controls: what is done during the step.
        dt_s: length, 0.1 to 10 s.
        draws: seeded; the same draws give the same plant.
    """
    arriving = _arrive(state, controls, dt_s=dt_s, draws=draws)
    feed_m3_h = _feed_after(state.feed_m3_h, controls, dt_s=dt_s)
    filtered = _filter(arriving, feed_m3_h=feed_m3_h, soaked=controls.soaked, dt_s=dt_s, draws=draws)
    polished = _polish(filtered, controls, dt_s=dt_s)
    delivered = _deliver(polished, controls, dt_s=dt_s)
    stored = _balance(delivered, dt_s=dt_s)
    return _observe(stored, controls, dt_s=dt_s)


def _arrive(state: State, controls: Controls, *, dt_s: float, draws: random.Random) -> State:
    """Inflow and sump."""
    new_gust = state.at_ms % GUST_MS < dt_s * SECOND_MS
    gust = draws.lognormvariate(GUST_MU, GUST_SIGMA) if new_gust else state.gust
    inflow_m3_h = planned_inflow_m3_h(state.at_ms) * gust
    sump = step_sump(
        state.sump,
        inflow_m3_h=inflow_m3_h,
        mains=controls.mains,
        clogged=controls.clogged,
        lag_forced=controls.lag_forced,
        dt_s=dt_s,
        draws=draws,
    )
    return renewed(state, gust=gust, inflow_m3_h=inflow_m3_h, sump=sump)


def _feed_after(feed_m3_h: float, controls: Controls, *, dt_s: float) -> float:
    """The drive follows its set point with a lag; a stopped pump moves nothing."""
    if not (controls.feed_runs and controls.mains):
        return 0.0
    return feed_m3_h + (controls.feed_setpoint_m3_h - feed_m3_h) * min(1.0, dt_s / FEED_LAG_S)


def _filter(state: State, *, feed_m3_h: float, soaked: frozenset[str], dt_s: float, draws: random.Random) -> State:
    """Influent, both filters, and the tap behind them."""
    noise_ntu = wander(state.influent_noise_ntu, sd=0.15, time_constant_s=300, dt_s=dt_s, draws=draws)
    influent_ntu = 3.2 + (1.0 if feed_m3_h > HIGH_FLOW_M3_H else 0.0) + noise_ntu
    first, second = state.filters
    taking = max(1, first.takes_feed + second.takes_feed)

    def stepped(one: Filter, other: Filter) -> Filter:
        return filtration.step(
            one,
            other,
            at_ms=state.at_ms,
            dt_s=dt_s,
            flow_m3_h=feed_m3_h / taking,
            influent_ntu=influent_ntu,
            soaked=one.name in soaked,
        )

    first = stepped(first, second)
    second = stepped(second, first)
    return renewed(
        state,
        feed_m3_h=feed_m3_h,
        influent_ntu=influent_ntu,
        influent_noise_ntu=noise_ntu,
        filters=(first, second),
        tap=_mixed(state.tap, (first, second), flow_m3_h=feed_m3_h, dt_s=dt_s),
    )


def _mixed(tap: Tap, both: tuple[Filter, Filter], *, flow_m3_h: float, dt_s: float) -> Tap:
    """The tap's water: the filters in use share the feed alike, so the flow-weighted mean is the plain one."""
    joining = [one for one in both if one.joins]
    using = sum(one.takes_feed for one in both)
    if not joining or flow_m3_h <= 0:
        return Tap(turbidity_ntu=tap.turbidity_ntu, above_5_s=tap.above_5_s)
    turbidity_ntu = sum(one.effluent_ntu for one in joining) / len(joining)
    above_5_s = tap.above_5_s + dt_s if turbidity_ntu > NTU_BRIEFLY else 0.0
    return Tap(turbidity_ntu=turbidity_ntu, flow_m3_h=flow_m3_h * len(joining) / using, above_5_s=above_5_s)


def _polish(state: State, controls: Controls, *, dt_s: float) -> State:
    """Ozone, UV, and chlorine to the outlet of the contact tank."""
    flow_m3_h = state.tap.flow_m3_h
    ozone = ozonation.step(
        state.ozone,
        flow_m3_h=flow_m3_h,
        on=controls.mains and not controls.ozone_off,
        purity_percent=controls.purity_percent,
        dt_s=dt_s,
    )
    dosing = hypo.step(
        state.dosing,
        wanted_mg_l=state.chlorine.dose_mg_l,
        flow_m3_h=flow_m3_h,
        power=controls.mains,
        gas_locked=controls.gas_locked,
        manual=controls.hypo_manual,
        dt_s=dt_s,
    )
    return renewed(
        state,
        ozone=ozone,
        lamps=ultraviolet.step(state.lamps, power=controls.mains),
        dosing=dosing,
        chlorine=_chlorinated(state.chlorine, controls, dosing, flow_m3_h=flow_m3_h, dt_s=dt_s),
    )


def _chlorinated(before: Chlorine, controls: Controls, dosing: Dosing, *, flow_m3_h: float, dt_s: float) -> Chlorine:
    """Contact tank, and the residual at its outlet."""
    after = chlorination.step(
        before,
        flow_m3_h=flow_m3_h,
        reading_mg_l=controls.reading_mg_l,
        dosed_mg_l=dosing.delivered_mg_l(flow_m3_h),
        dt_s=dt_s,
    )
    return after if controls.tap_mg_l is None else chlorination.with_outlet(after, controls.tap_mg_l)


def _deliver(state: State, controls: Controls, *, dt_s: float) -> State:
    """Through the last pipes to XV-901, and into the tank or the bed."""
    volume_m3 = state.tap.flow_m3_h * dt_s / 3600
    pipe, by_turbidity = passage.push(
        state.pipe, Parcel(volume_m3, state.tap.turbidity_ntu, marked=state.tap.out_of_limits)
    )
    residual_mg_l = state.chlorine.outlet_mg_l
    tail, by_chlorine = passage.push(
        state.tail, Parcel(volume_m3, residual_mg_l, marked=residual_mg_l < CHLORINE_LEAST_MG_L)
    )
    product_m3 = volume_m3 * controls.product_share
    tank = step_tank(
        state.tank,
        product_m3=product_m3,
        product_mg_l=tail.outlet.value,
        wanted_m3_h=DEMAND_SHARE * state.inflow_m3_h * controls.supply_share * controls.mains,
        wash_m3_h=_wash_m3_h(state.filters),
        dt_s=dt_s,
    )
    totals = _counted(state.totals, by_turbidity, by_chlorine, product_share=controls.product_share)
    if product_m3:
        totals = _counted_by_treatment(totals, state, product_m3=product_m3)
    return renewed(
        state,
        pipe=pipe,
        tail=tail,
        tank=tank,
        totals=totals,
        diverted_m3_h=state.tap.flow_m3_h * (1 - controls.product_share),
    )


def _counted(
    totals: Totals, by_turbidity: tuple[Parcel, ...], by_chlorine: tuple[Parcel, ...], *, product_share: float
) -> Totals:
    """Litres through the valve, and those out of limits that the tank got."""
    turbid_m3 = chlorine_m3 = either_m3 = volume_m3 = 0.0
    for piece_m3, turbid, weak in _overlaid(by_turbidity, by_chlorine):
        volume_m3 += piece_m3
        turbid_m3 += piece_m3 * turbid
        chlorine_m3 += piece_m3 * weak
        either_m3 += piece_m3 * (turbid or weak)
    return renewed(
        totals,
        into_tank_m3=totals.into_tank_m3 + volume_m3 * product_share,
        diverted_m3=totals.diverted_m3 + volume_m3 * (1 - product_share),
        spoiled_m3=totals.spoiled_m3 + either_m3 * product_share,
        spoiled_turbidity_m3=totals.spoiled_turbidity_m3 + turbid_m3 * product_share,
        spoiled_chlorine_m3=totals.spoiled_chlorine_m3 + chlorine_m3 * product_share,
    )


def _counted_by_treatment(totals: Totals, state: State, *, product_m3: float) -> Totals:
    """Litres that the tank got while dose or contact was short."""
    contact = state.contact_mg_min_l
    underdosed = state.dose_mj_cm2 < DOSE_LEAST_MJ_CM2
    short = contact is not None and contact < CONTACT_LEAST_MG_MIN_L
    if not (underdosed or short):
        return totals
    return renewed(
        totals,
        underdosed_m3=totals.underdosed_m3 + product_m3 * underdosed,
        short_m3=totals.short_m3 + product_m3 * short,
    )


def _overlaid(first: tuple[Parcel, ...], second: tuple[Parcel, ...]) -> Iterator[tuple[float, bool, bool]]:
    """The same water cut at the borders of both lists: volume, mark in the first, mark in the second."""
    waiting = list(second)
    for parcel in first:
        left_m3 = parcel.volume_m3
        while waiting and left_m3 > passage.LEAST_M3:
            other = waiting[0]
            piece_m3 = min(left_m3, other.volume_m3)
            yield piece_m3, parcel.marked, other.marked
            left_m3 -= piece_m3
            rest_m3 = other.volume_m3 - piece_m3
            waiting[:1] = [Parcel(rest_m3, other.value, other.marked)] if rest_m3 > passage.LEAST_M3 else []


def _balance(state: State, *, dt_s: float) -> State:
    """Buffer and emergency tank, once it is known what came back."""
    wasted_m3_h = state.feed_m3_h - state.tap.flow_m3_h if any(one.takes_feed for one in state.filters) else 0.0
    buffers = step_buffers(
        state.buffers,
        sump=state.sump,
        feed_m3_h=state.feed_m3_h,
        returned_m3_h=wasted_m3_h + _wash_m3_h(state.filters),
        dt_s=dt_s,
    )
    return renewed(state, buffers=buffers)


def _wash_m3_h(both: tuple[Filter, Filter]) -> float:
    washing = sum(one.mode == filtration.BACKWASH for one in both)
    return washing * filtration.WASH_M3 * 3600 / filtration.WASH_S


def _observe(state: State, controls: Controls, *, dt_s: float) -> State:
    """Meters, and what the truth lines tell; the step ends here."""
    ntu = state.tap.turbidity_ntu
    totals = renewed(
        state.totals,
        feed_m3=state.totals.feed_m3 + state.feed_m3_h * dt_s / 3600,
        delivered_m3=state.totals.delivered_m3 + state.tank.delivered_m3_h * dt_s / 3600,
        makeup_m3=state.totals.makeup_m3 + state.tank.makeup_m3_h * dt_s / 3600,
        above_10_s=state.totals.above_10_s + dt_s * (ntu > NTU_NEVER),
        above_5_s=state.totals.above_5_s + dt_s * (ntu > NTU_BRIEFLY),
        above_2_s=state.totals.above_2_s + dt_s * (ntu > NTU_MEAN),
        peak_ntu=max(state.totals.peak_ntu, ntu),
    )
    wanted_kw = power.wanted_kw(
        grinders=state.sump.first.runs + state.sump.second.runs,
        feed_m3_h=state.feed_m3_h,
        ozone_kw=state.ozone.power_w / 1_000,
        supplying=controls.supply_share > 0,
    )
    supply = power.step(state.supply, mains=controls.mains, wanted_kw=wanted_kw, dt_s=dt_s)
    return renewed(state, totals=totals, supply=supply, at_ms=state.at_ms + round(dt_s * SECOND_MS))
