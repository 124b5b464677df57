"""Row j: rolling 24-hour mean, maximum and time above a limit over irregular samples, beside pandas on arrays.

Ten million readings at unequal intervals, some of them not usable, some
suspect. Both give the three figures and the usable time of the window that
ends at each reading, held values cut at the window's begin. Ours takes the
readings one by one, as they would come, and carries the suspect time too;
pandas has them all as arrays beforehand. Both sums are compared.
"""

import gc
import math
import time
from collections.abc import Sequence

import numpy as np
import numpy.typing as npt
import pandas as pd

from gateway.treatment.rolling import rolling
from tests.bench.frame import Figure, Goal, Scale, alternately

_SAMPLES, _SHORT_SAMPLES = 10_000_000, 20_000
_WINDOW_MS = 86_400_000
_LIMIT = 5.0
_LONGEST_MS = 60_000

Floats = npt.NDArray[np.float64]
Integers = npt.NDArray[np.int64]
Totals = tuple[float, float, float]
"""Of the means, the maxima, and the shares of time above, over all readings."""


def rolling_day(scale: Scale) -> Sequence[Figure]:
    """Row j."""
    count = _SHORT_SAMPLES if scale.short else _SAMPLES
    times, values, worths = _readings(count, every_s=60 if scale.short else 4)
    readings = list(zip(times.tolist(), values.tolist(), worths.tolist(), strict=True))
    gc.freeze()
    ours, bare = alternately(min(3, scale.rounds), lambda: streamed(readings), lambda: on_arrays(times, values, worths))
    gc.unfreeze()
    for (_, found), (_, expected) in zip(ours, bare, strict=True):
        assert all(math.isclose(one, other, rel_tol=1e-9) for one, other in zip(found, expected, strict=True))
    return [
        Figure(
            name=f"{count:,} irregular samples, 24 h",
            unit="CPU s",
            gateway=[took_s for took_s, _ in ours],
            baseline=[took_s for took_s, _ in bare],
            goal=Goal(at_most=8.0, of="ratio"),
            remark="streamed one by one with worth and weights; bare is pandas on arrays; means, maxima, shares agree",
        )
    ]


def _readings(count: int, every_s: int) -> tuple[Integers, Floats, Integers]:
    """Turbidity, with a gap now and then and readings that are not usable (0) or suspect (2)."""
    chance = np.random.default_rng(20_250_226)
    steps = chance.integers(every_s * 100, every_s * 1_900, count)
    steps[chance.random(count) < 1e-4] = 600_000
    values = np.abs(1.6 + 0.4 * chance.standard_normal(count) + 5.0 * (chance.random(count) < 0.02))
    worths = chance.choice(np.array([0, 1, 2]), count, p=[0.01, 0.97, 0.02])
    return np.cumsum(steps), values, worths


def streamed(readings: Sequence[tuple[int, float, int]]) -> tuple[float, Totals]:
    """CPU seconds and totals of the readings taken one by one."""
    means = tops = shares = 0.0
    began = time.process_time()
    for mean, largest, above, usable, _ in rolling(
        readings, window_ms=_WINDOW_MS, limit=_LIMIT, longest_ms=_LONGEST_MS
    ):
        if usable and largest >= 0.0:
            means += mean
            tops += largest
            shares += above / usable
    return time.process_time() - began, (means, tops, shares)


def on_arrays(times: Integers, values: Floats, worths: Integers) -> tuple[float, Totals]:
    """The same by pandas, which has them all beforehand."""
    began = time.process_time()
    usable = worths > 0
    lasting = np.zeros(len(times))
    lasting[1:] = np.where(usable[:-1], np.minimum(np.diff(times), _LONGEST_MS), 0)  # ends at the row it stands in
    before = np.concatenate(([0.0], values[:-1]))
    above = lasting * (before > _LIMIT)
    index = pd.to_datetime(times, unit="ms")
    held = pd.DataFrame({"total": before * lasting, "above": above, "usable": lasting}, index=index)
    sums = held.rolling("24h").sum().to_numpy()
    largest = pd.Series(np.where(usable, values, np.nan), index=index).rolling("24h", min_periods=1).max().to_numpy()
    begin = times - _WINDOW_MS
    first = np.searchsorted(times, begin, side="right")  # the row whose time may reach in from before the window
    start = times[np.maximum(first - 1, 0)]
    over = np.where((first > 0) & (lasting[first] > 0), np.clip(begin - start, 0, lasting[first]), 0)
    inside = sums[:, 2] - over
    mean = np.divide(sums[:, 0] - before[first] * over, inside, out=np.zeros(len(times)), where=inside > 0)
    share = np.divide(sums[:, 1] - (before[first] > _LIMIT) * over, inside, out=np.zeros(len(times)), where=inside > 0)
    known = (inside > 0) & ~np.isnan(largest)
    totals = (float(mean[known].sum()), float(largest[known].sum()), float(share[known].sum()))
    return time.process_time() - began, totals
