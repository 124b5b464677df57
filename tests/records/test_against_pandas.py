"""The record of a month equals a sheet that pandas computes by itself from the plain text, cell by cell.

``PURPLEGATE_MONTHS=12`` runs twelve random months; the suite runs the one with the day of 23 hours.
"""

import io
import os
from collections.abc import Mapping
from datetime import date

import pandas as pd
import pytest

from gateway.records.as_csv import as_csv
from gateway.records.period import month_sheet
from tests.records.months import ROLLS_AT, given_of, plain_text, random_month

MONTHS = [date(2025, 3, 1), *(date(2025, m, 1) for m in range(1, 13) if m != 3)]
ASKED = int(os.environ.get("PURPLEGATE_MONTHS", "1"))
LONGEST = 60_000
VALUED = {"GOOD", "SUSPECT", "OVER", "UNDER"}


def spelled(table: pd.DataFrame, tag: str) -> pd.DataFrame:
    own = table[table.tag == tag].sort_values("utc_ms")
    until = own.utc_ms.shift(-1).fillna(own.utc_ms + LONGEST)
    return own.assign(until=pd.concat([until, own.utc_ms + LONGEST], axis=1).min(axis=1).astype("int64"))


def steps(table: pd.DataFrame, begin: int, end: int) -> pd.DataFrame:
    """Turbidity, flow and valve on one axis of all instants at which anything changes."""
    edges = {begin, end}
    parts = {tag: spelled(table, tag) for tag in "TFZ"}
    for one in parts.values():
        edges |= {int(e) for e in pd.concat([one.utc_ms, one.until]) if begin < e < end}
    axis = pd.DataFrame({"at": sorted(edges)})
    axis["ms"] = axis["at"].shift(-1) - axis["at"]
    axis = axis.dropna()
    for tag, one in parts.items():
        found = pd.merge_asof(axis[["at"]], one[["utc_ms", "until", "value", "state"]], left_on="at", right_on="utc_ms")
        stands = found["at"] < found.until
        axis[tag] = found.value.where(stands).to_numpy()
        axis[f"{tag}state"] = found.state.where(stands, "STALE").to_numpy()
    return axis


def sheet_of_day(table: pd.DataFrame, day: pd.Timestamp) -> dict[str, float | None]:
    begin = int(day.tz_convert("UTC").timestamp() * 1000)
    end = int((day + pd.DateOffset(days=1)).tz_convert("UTC").timestamp() * 1000)
    axis = steps(table, begin, end)
    need = axis[axis.F >= 0.2]
    valid = need[need.Tstate.isin(VALUED)]
    certain = valid[valid.Tstate != "SUSPECT"]
    doubtful = valid[valid.Tstate == "SUSPECT"]
    out = valid[valid.Z >= 1.0]
    enough = valid.ms.sum() >= 0.75 * need.ms.sum() > 0
    minute = 60_000
    found: dict[str, float | None] = {
        "hours": (end - begin) / 3_600_000,
        "producing-min": need.ms.sum() / minute,
        "delivering-min": axis[axis.Z >= 1.0].ms.sum() / minute,
        "turbidity-mean": (valid["T"] * valid.ms).sum() / valid.ms.sum() if enough else None,
        "turbidity-mean-certain": (certain["T"] * certain.ms).sum() / certain.ms.sum()
        if enough and len(certain)
        else None,
        "turbidity-max": certain["T"].max() if len(certain) else None,
        "turbidity-suspect-max": doubtful["T"].max() if len(doubtful) else None,
        "turbidity-min": certain["T"].min() if len(certain) else None,
        "turbidity-delivered-max": out[out.Tstate != "SUSPECT"]["T"].max() if (out.Tstate != "SUSPECT").any() else None,
        "turbidity-valid-min": valid.ms.sum() / minute,
        "turbidity-required-min": need.ms.sum() / minute,
        "turbidity-held-min": need[need.Tstate == "HELD"].ms.sum() / minute,
        "turbidity-bad-min": need[need.Tstate.isin({"BAD", "STALE"})].ms.sum() / minute,
        "turbidity-suspect-min": doubtful.ms.sum() / minute,
    }
    for bound in (2, 5, 10):
        above = valid[valid["T"] > bound].ms.sum()
        found[f"turbidity-above-{bound}-min"] = above / minute
        found[f"turbidity-above-{bound}-of-day"] = above / (end - begin)
        found[f"turbidity-above-{bound}-of-valid"] = above / valid.ms.sum() if len(valid) else None
        found[f"turbidity-delivered-above-{bound}-min"] = out[out["T"] > bound].ms.sum() / minute
    total = table[table.tag == "Q"].sort_values("utc_ms")
    within = total[(total.utc_ms >= begin) & (total.utc_ms < end)]
    before = total[total.utc_ms < begin].tail(1)
    grown = pd.concat([before, within]).value.diff().dropna()
    found["treated-m3"] = (grown + (grown < 0) * ROLLS_AT).sum()
    return found


def compared(cells: Mapping[str, str], month: str, day: int, sheet: Mapping[str, float | None]) -> int:
    for name, value in sheet.items():
        exact = cells[f"{month}/{name}/{day}"]
        if value is None:
            assert exact == "", f"{month}/{name}/{day} is {exact}, pandas has none"
        else:
            assert float(exact) == pytest.approx(value, rel=1e-9, abs=1e-9), f"{month}/{name}/{day}"
    return len(sheet)


@pytest.mark.parametrize("seed", range(ASKED))
def test_every_cell_of_a_random_month_is_what_pandas_computes_from_the_plain_text(seed: int) -> None:
    first = MONTHS[seed % len(MONTHS)]
    series = random_month(first, seed)
    text = "\n".join(plain_text(series))
    content = as_csv(month_sheet(given_of(series), first.year, first.month)).decode()
    printed = pd.read_csv(io.StringIO(content), dtype=str, keep_default_na=False)
    cells = dict(zip(printed.key, printed.exact, strict=True))
    table = pd.read_csv(io.StringIO(text))
    days = pd.date_range(str(first), periods=pd.Period(str(first), "M").days_in_month, freq="D", tz="CET")
    count = 0
    for day in days:
        begin = int(day.tz_convert("UTC").timestamp() * 1000)
        near = table[(table.utc_ms > begin - 3_600_000) & (table.utc_ms < begin + 26 * 3_600_000)]
        count += compared(cells, f"{first:%Y-%m}", day.day, sheet_of_day(near, day))
    assert count == len(days) * 27
    if first.month == 3:
        assert float(cells["2025-03/hours/30"]) == 23
