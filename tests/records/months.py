"""Synthetic months with planted exceedances, gaps, calibrations and roll-overs, as values and as a plain-text table."""

import random
from collections.abc import Iterator
from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

from gateway.configuration.schema.permit import Limit, Quantity, Record, Standing, Total
from gateway.core.entry import Entry
from gateway.records.day import Given, day_span
from gateway.records.series import Series, State

ZONE = ZoneInfo("CET")
STEP_MS = 20_000
ROLLS_AT = 1_000.0


def limit(parameter: str, statistic: str, figure: float, **more: object) -> Limit:
    said = {"parameter": parameter, "statistic": statistic, "limit": figure, "source": "invented", "seen": True, **more}
    return Limit.model_validate(said)


LIMITS = {
    "turbidity-mean": (limit("turbidity", "mean_24h", 2.0),),
    "turbidity-time": (limit("turbidity", "time_above", 5.0, allowed_fraction=0.05),),
    "turbidity-max": (limit("turbidity", "max_any_time", 10.0),),
}
RECORD = Record(
    quantities={"turbidity": Quantity(tag="T", parameter="turbidity")},
    totals={"treated": Total(total="Q")},
    producing=Standing(tag="F", at_least=0.2),
    delivering=Standing(tag="Z", at_least=1.0),
)


def given_of(series: dict[str, Series], *, entries: tuple[Entry, ...] = (), as_of_ms: int = 4_102_444_800_000) -> Given:
    return Given(
        site="Invented", zone=ZONE, permit="X-1", limits=LIMITS, record=RECORD, series=series, journal=(),
        entries=entries, rolls_over_at={"Q": ROLLS_AT}, as_of_ms=as_of_ms, configuration="c" * 64, units={"T": "NTU"},
    )  # fmt: skip


def random_month(first: date, seed: int) -> dict[str, Series]:
    """Irregular readings of a month: turbidity with every state, flow that stops, a valve, a total that rolls over."""
    draws = random.Random(seed)  # noqa: S311 - makes test data
    series = {tag: Series() for tag in "TFZQ"}
    last = (first + timedelta(days=31)).replace(day=1)
    begin, end = day_span(first, ZONE)[0], day_span(last, ZONE)[0]
    state, state_until, peak_until, total = State.GOOD, 0, 0, 950.0
    flow, flow_until, valve, valve_until = 1.0, 0, 1.0, 0
    now = begin - STEP_MS
    while now < end:
        if now >= state_until:
            states, weights = list(State), (60, 3, 3, 2, 4, 3, 3)
            state = draws.choices(states, weights)[0]
            state_until = now + draws.randrange(60_000, 3 * 3_600_000)
        if now >= flow_until:
            flow, flow_until = draws.choice((0.0, 0.9, 1.5, 2.0)), now + draws.randrange(600_000, 6 * 3_600_000)
        if now >= valve_until:
            valve, valve_until = draws.choice((0.0, 1.0)), now + draws.randrange(600_000, 6 * 3_600_000)
        peak_until = now + 3_600_000 if draws.random() < 1e-4 else peak_until
        value = draws.uniform(4.0, 14.0) if now < peak_until else draws.uniform(0.3, 2.5)
        total = (total + flow * STEP_MS / 3_600_000) % ROLLS_AT
        if draws.random() < 0.98:  # now and then a poll is lost, so that spacing is unequal
            series["T"].add(now, state, value if state <= State.UNDER else 0.0)
        series["F"].add(now, State.GOOD, flow)
        series["Z"].add(now, State.GOOD, valve)
        series["Q"].add(now, State.GOOD, total)
        now += draws.choice((STEP_MS, STEP_MS, STEP_MS, 17_000, 90_000))
    return series


def plain_text(series: dict[str, Series]) -> Iterator[str]:
    """As ``purplegate record readings`` writes it."""
    yield "tag,utc_ms,value,state"
    for tag, one in series.items():
        for t, v, s in zip(one.times, one.values, one.states, strict=True):
            yield f"{tag},{t},{v!r},{State(s).name}"


def ms(text: str) -> int:
    return round(datetime.fromisoformat(text).replace(tzinfo=ZONE).astimezone(UTC).timestamp() * 1_000)
