"""Row c2: alarm steps a second, beside the same comparison with its deadband and on-delay written out in one loop.

Both see the same thousand readings scan after scan and must raise the same
alarms. The gateway's side is the step of all alarms as the scan does it;
taking and judging the readings is not in it.
"""

import gc
import time
from collections.abc import Mapping, Sequence
from statistics import median

from gateway.core import scan as core
from gateway.core.alarm import AlarmRule
from gateway.core.outcome import EventKind
from gateway.core.sample import Number, Sample
from gateway.core.scan import Moment
from gateway.core.state import first_state, rules_of
from gateway.core.working import Working
from tests.bench import plants
from tests.bench.frame import Figure, Goal, Scale

_TAGS, _SCANS, _SHORT_SCANS = 1_000, 200, 60


def alarm_steps(scale: Scale) -> Sequence[Figure]:
    """Row c2."""
    alarms = plants.alarms(_TAGS, lambda _, number: plants.high(number))
    moments = plants.moments(_TAGS, _SHORT_SCANS if scale.short else _SCANS)
    ours, bare, ours_raised, bare_raised = [], [], 0, 0
    for _ in range(scale.rounds):
        took_s, raised = _gateway([rule for _, rule in alarms], moments)
        ours.append(took_s)
        ours_raised += raised
        took_s, raised = _bare([plants.tag(number) for number, _ in alarms], moments)
        bare.append(took_s)
        bare_raised += raised
    assert ours_raised, "some limits are crossed"
    steps = len(alarms)
    rate = Figure(
        name=f"{steps} alarms over {_TAGS:,} tags",
        unit="steps/s",
        gateway=[steps / took for took in ours],
        baseline=[steps / took for took in bare],
        goal=Goal(at_least=0.10, of="ratio"),
        work=(ours_raised, bare_raised),
        remark="median scan of each round; bare is one inlined loop over the newest values",
    )
    whole = Figure(name=f"{steps} alarms", unit="ms", gateway=[took * 1_000 for took in ours], goal=Goal(at_most=1.0))
    return rate, whole


def _gateway(rules: Sequence[AlarmRule], moments: Sequence[Moment]) -> tuple[float, int]:
    """Median seconds of all alarms in a scan, and how many were raised."""
    known = rules_of(plants.plant(_TAGS, rules))
    state, _ = first_state(known, plants.tick(0))
    each_s, raised = [], 0
    gc.collect()
    gc.freeze()
    for moment in moments:
        work = Working(known, state, moment.tick)
        core._take_arrivals(work, moment.arrivals)
        core._judge_tags(work)
        began = time.perf_counter()
        core._step_alarms(work, known.early_alarms)
        each_s.append(time.perf_counter() - began)
        raised += sum(event.kind is EventKind.ALARM for event in work.events)
        state = core._next_state(work)
    gc.unfreeze()
    return median(each_s), raised


def _bare(tags: Sequence[str], moments: Sequence[Moment]) -> tuple[float, int]:
    """The same of the loop."""
    rules = [(at, tag, plants.HIGH, plants.DEADBAND, plants.ON_DELAY_MS) for at, tag in enumerate(tags)]
    onset: list[int | None] = [None] * len(tags)
    active = [False] * len(tags)
    values: dict[str, float] = {}
    each_s, raised = [], 0
    gc.collect()
    for moment in moments:
        _note(values, moment)
        now_ms = moment.tick.monotonic_ms
        began = time.perf_counter()
        raised += _loop(rules, values, onset, active, now_ms)
        each_s.append(time.perf_counter() - began)
    return median(each_s), raised


def _note(values: dict[str, float], moment: Moment) -> None:
    for arrival in moment.arrivals:
        assert isinstance(arrival, Sample)
        assert isinstance(arrival.reading, Number)
        values[arrival.tag] = arrival.reading.value


def _loop(
    rules: Sequence[tuple[int, str, float, float, int]],
    values: Mapping[str, float],
    onset: list[int | None],
    active: list[bool],
    now_ms: int,
) -> int:
    raised = 0
    for at, tag, limit, deadband, delay_ms in rules:
        value = values.get(tag)
        if value is None:
            continue
        if value > limit:
            if not active[at]:
                since_ms = onset[at]
                if since_ms is None:
                    since_ms = onset[at] = now_ms
                if now_ms - since_ms >= delay_ms:
                    active[at] = True
                    raised += 1
        else:
            onset[at] = None
            if value <= limit - deadband:
                active[at] = False
    return raised
