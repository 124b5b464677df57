"""A limit that follows a state of the plant: which one is in force, and that the journal tells it."""

import pytest

from gateway.core.alarm import AlarmRule
from gateway.core.condition import (
    NOTHING,
    Answer,
    Limit,
    OtherLimit,
    Side,
    StateLimit,
    View,
    ask,
    limit_in_force,
    tags_of,
)
from gateway.core.outcome import EventKind
from gateway.core.plant import Plant
from gateway.core.quality import Reason
from gateway.core.sample import NoNumber, Number
from gateway.core.validity import AWAITED, HELD, TagRule, Verdict
from tests.core.plants import Bench

BACKWASH, TO_WASTE = 1.0, 2.0
HIGH = StateLimit(
    base=Limit(tag="A", side=Side.HIGH, limit=2.0, deadband=0.5),
    others=(
        OtherLimit(tag="FILTER", equals=BACKWASH, limit=10.0),
        OtherLimit(tag="FILTER", equals=TO_WASTE, limit=5.0),
        OtherLimit(tag="NIGHT", equals=1.0, limit=1.0),
    ),
)
LOW = StateLimit(
    base=Limit(tag="A", side=Side.LOW, limit=3.0), others=(OtherLimit(tag="FILTER", equals=BACKWASH, limit=1.0),)
)
UNKNOWN = (NoNumber(Reason.STALE), HELD, AWAITED)


def view(value: float = 0.0, filter_state: float | Verdict = 0.0, night: float | Verdict = 0.0) -> View:
    given = {"A": value, "FILTER": filter_state, "NIGHT": night}
    verdicts = {tag: Number(one) if isinstance(one, float) else one for tag, one in given.items()}
    return View(now_ms=0, verdicts=verdicts, rates={}, safe_since_ms={})


@pytest.mark.parametrize(
    ("filter_state", "night", "limit"),
    [
        pytest.param(0.0, 0.0, 2.0, id="no state: its own"),
        pytest.param(BACKWASH, 0.0, 10.0, id="a state"),
        pytest.param(TO_WASTE, 0.0, 5.0, id="another state"),
        pytest.param(0.0, 1.0, 1.0, id="a state of another tag"),
        pytest.param(BACKWASH, 1.0, 10.0, id="two states: the first in the list"),
        *(pytest.param(one, 0.0, 2.0, id=f"filter {one}: its own may be meant") for one in UNKNOWN),
        *(pytest.param(one, 1.0, 1.0, id=f"filter {one} at night") for one in UNKNOWN),
        *(pytest.param(BACKWASH, one, 10.0, id=f"night {one}: it does not matter in a backwash") for one in UNKNOWN),
        *(pytest.param(0.0, one, 1.0, id=f"night {one}: the strictest that may be meant") for one in UNKNOWN),
    ],
)
def test_the_limit_in_force(filter_state: float | Verdict, night: float | Verdict, limit: float) -> None:
    assert limit_in_force(HIGH, view(0.0, filter_state, night)).limit == limit


@pytest.mark.parametrize(("filter_state", "limit"), [(BACKWASH, 1.0), (0.0, 3.0), *((one, 3.0) for one in UNKNOWN)])
def test_the_strictest_low_limit_is_the_highest(filter_state: float | Verdict, limit: float) -> None:
    assert limit_in_force(LOW, view(0.0, filter_state)).limit == limit


def test_what_is_in_condition_by_one_limit_is_clear_by_another() -> None:
    assert ask(HIGH, NOTHING, view(4.0)).answer is Answer.IN
    assert ask(HIGH, NOTHING, view(4.0, TO_WASTE)).answer is Answer.CLEAR
    assert ask(HIGH, NOTHING, view(4.8, TO_WASTE)).answer is Answer.BETWEEN  # the deadband goes with the limit


def test_a_reading_without_a_value_is_bad_whatever_the_state() -> None:
    seen = View(
        now_ms=0, verdicts={"A": NoNumber(Reason.STALE), "FILTER": Number(BACKWASH)}, rates={}, safe_since_ms={}
    )
    assert ask(HIGH, NOTHING, seen).answer is Answer.BAD


def test_its_tags_are_those_of_the_states_as_well() -> None:
    assert set(tags_of(HIGH)) == {"A", "FILTER", "NIGHT"}


def test_alarm_and_return_tell_the_limit_then_in_force_and_why() -> None:
    tags = (TagRule(tag="A"), TagRule(tag="FILTER", states={0: "service", 1: "backwash", 2: "to waste"}))
    rule = AlarmRule(id="CLOUDY", condition=StateLimit(base=HIGH.base, others=HIGH.others[:2]), on_delay_ms=3_000)
    bench = Bench(Plant(tags=tags, alarms=(rule,)))
    bench.reads = {"A": Number(6.0), "FILTER": Number(BACKWASH)}
    bench.run(10)
    assert bench.found(EventKind.ALARM) == []
    bench.read(FILTER=TO_WASTE)
    bench.run(4)
    bench.read(FILTER=BACKWASH)
    bench.run(1)
    (alarm,), (back,) = bench.found(EventKind.ALARM), bench.found(EventKind.RTN)
    assert (alarm.facts["limit"], alarm.facts["limit_follows"]) == (5.0, "FILTER to waste (2)")
    assert (back.facts["limit"], back.facts["limit_follows"]) == (10.0, "FILTER backwash (1)")
    bench.read(FILTER=Reason.STALE)
    bench.run(4)
    assert bench.found(EventKind.ALARM)[-1].facts["limit_follows"] == "FILTER not known"
    assert bench.found(EventKind.ALARM)[-1].facts["limit"] == 2.0
