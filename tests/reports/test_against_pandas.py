"""Every figure of a busy month, counted a second time in another way: on a grid of seconds, with pandas.

The month is made up, on whole seconds: alarms that come and go, upsets, chattering, shelves, answers, two
restarts, and a change of the clocks. Nothing of the review is used to count.
"""

import random
from datetime import date
from itertools import pairwise
from zoneinfo import ZoneInfo

import msgspec
import numpy as np
import pandas as pd
import pytest

from gateway.core.alarm import Priority
from gateway.local.messages import JournalEntry
from gateway.reports.alarm_review import Review, review
from gateway.reports.annunciations import Hidden
from tests.reports.journals import rule, site

ZONE = ZoneInfo("CET")
BEGIN_S = int(pd.Timestamp("2025-02-26", tz="UTC").timestamp())
END_S = int(pd.Timestamp("2025-04-04", tz="UTC").timestamp())
FIRST, LAST = date(2025, 3, 1), date(2025, 3, 31)
FROM_S = int(pd.Timestamp("2025-03-01", tz="CET").timestamp())
UNTIL_S = int(pd.Timestamp("2025-04-01", tz="CET").timestamp())
DOWN = ((FROM_S + 400_000, FROM_S + 407_000, True), (FROM_S + 1_500_000, FROM_S + 1_590_000, False))  # stopped; cut off
DAY_S, TEN_MIN_S, HOUR_S, MIN_S = 86_400, 600, 3_600, 60
CATCH_UP_S = 50_000
ALARMS = {f"L{n:02d}": Priority.P3 if n % 10 < 7 else Priority.P2 if n % 10 < 9 else Priority.P1 for n in range(60)}
Row = tuple[int, str, str, int, str]  # second, kind, alarm, occurrence, reason


# --- the month ----------------------------------------------------------------------------------------------------


class Life:
    """What one alarm did, in order."""

    def __init__(self, alarm: str, chance: random.Random) -> None:
        self.rows: list[Row] = []
        self.now_s = BEGIN_S + 60
        self._alarm, self._chance, self._occurrence = alarm, chance, 0

    def live(self, upsets: list[int]) -> list[Row]:
        while self.now_s < END_S:
            quiet_since_s = self.now_s
            self.now_s += 1 + round(self._chance.expovariate(1 / 10_000))
            upset = next((one for one in upsets if quiet_since_s < one < self.now_s), 0)
            if upset and self._chance.random() < 0.6:
                self.now_s = upset + self._chance.randrange(400)
            for _ in range(self._chance.choice((1, 1, 1, 1, 1, 1, 1, 1, 2, 5))):
                self._occur()
            if self._chance.random() < 0.005:
                self._chatter()
        return self.rows

    def _occur(self) -> None:
        """Annunciated; then acknowledged or not, before or after it returns; or shelved instead."""
        chance = self._chance
        self._occurrence += 1
        self._say("alarm")
        returns_s = self.now_s + self._lasting_s()
        answered_s = self.now_s + round(chance.expovariate(1 / 500)) + 1
        if (fate := chance.random()) > 0.97:
            self._shelve(min(answered_s, returns_s))
            return
        for at_s, kind in sorted([(returns_s, "return_to_normal"), (answered_s, "acknowledged")]):
            if kind == "return_to_normal" or fate < 0.8:
                self.now_s = at_s
                self._say(kind)
        self.now_s += chance.randrange(1, 25)

    def _chatter(self) -> None:
        for _ in range(self._chance.randrange(2, 9)):
            self._occurrence += 1
            for kind in ("alarm", "return_to_normal"):
                self.now_s += self._chance.randrange(1, 20)
                self._say(kind)

    def _lasting_s(self) -> int:
        kind = self._chance.random()
        if kind < 0.01:
            return self._chance.randrange(1, 200_000)
        return self._chance.randrange(1, 40) if kind < 0.1 else round(self._chance.expovariate(1 / 700)) + 1

    def _shelve(self, at_s: int) -> None:
        self.now_s = at_s
        self._say("shelved")
        for _ in range(self._chance.randrange(3)):
            self.now_s += self._chance.randrange(1, 3_000)
            self._say("hidden_change", self._chance.choice(("alarm", "return_to_normal")))
        self.now_s += self._chance.randrange(1, 20_000)
        self._say("unshelved", "expired")

    def _say(self, kind: str, reason: str = "") -> None:
        self.rows.append((self.now_s, kind, self._alarm, self._occurrence, reason))


def made_up() -> list[JournalEntry]:
    """The journal of the month, with some days before and after."""
    chance = random.Random(20_250_301)  # noqa: S311 - seeded noise is no cryptography
    upsets = sorted(chance.randrange(BEGIN_S, END_S) for _ in range(40))
    rows = [row for alarm in ALARMS for row in Life(alarm, chance).live(upsets)]
    for down_s, up_s, _ in DOWN:
        rows = [(later(row[0], down_s, up_s), *row[1:]) for row in rows]
    rows += [(BEGIN_S, "start", "", 0, ""), *((up_s, "start", "", 0, "") for _, up_s, _ in DOWN)]
    rows += [(down_s, "stop", "", 0, "") for down_s, _, stopped in DOWN if stopped]
    rows = sorted((row for row in rows if row[0] < END_S), key=lambda row: row[0])
    return list(numbered(rows))


def later(second: int, down_s: int, up_s: int) -> int:
    """What fell into the time without a gateway comes closer together after it, in the same order."""
    if not down_s <= second < up_s + CATCH_UP_S:
        return second
    return up_s + 1 + (second - down_s) * (CATCH_UP_S - 1) // (up_s + CATCH_UP_S - down_s)


def numbered(rows: list[Row]) -> list[JournalEntry]:
    entries: list[JournalEntry] = []
    run, booted_s = 0, 0
    cut_off = {up_s: down_s for down_s, up_s, stopped in DOWN if not stopped}
    for second, kind, alarm, occurrence, reason in rows:
        facts: dict[str, str | int | float | bool] = {"priority": ALARMS[alarm].value} if kind == "alarm" else {}
        if kind == "start":
            run, booted_s = run + 1, second - 100
            facts = {
                "state": "resumed",
                **({"last_saved_utc_ms": cut_off[second] * 1_000} if second in cut_off else {}),
            }
        entries.append(
            JournalEntry(
                n=len(entries) + 1,
                run=run,
                scan=second - BEGIN_S,
                monotonic_ms=(second - booted_s) * 1_000,
                utc_ms=second * 1_000,
                utc_trusted=True,
                kind=kind,
                subject=alarm,
                occurrence=occurrence,
                reason=reason,
                facts=facts,
                configuration="one",
            )
        )
    return entries


# --- counted twice ------------------------------------------------------------------------------------------------

ENTRIES = made_up()
TABLE = pd.DataFrame(msgspec.to_builtins(ENTRIES)).fillna({"reason": "", "subject": "", "occurrence": 0})
TABLE["second"] = TABLE["utc_ms"] // 1_000
CALLS = TABLE[TABLE["kind"] == "alarm"].copy()
CALLS["priority"] = CALLS["facts"].map(lambda facts: facts["priority"])
MONTH = CALLS[(CALLS["second"] >= FROM_S) & (CALLS["second"] < UNTIL_S)]
SECONDS = np.arange(BEGIN_S, END_S)
PERIOD = (SECONDS >= FROM_S) & (SECONDS < UNTIL_S)
RUNNING = PERIOD & ~np.logical_or.reduce([np.isin(SECONDS, np.arange(down_s, up_s)) for down_s, up_s, _ in DOWN])


def counted(window_s: int) -> "pd.Series[float]":
    """How many annunciations lie in the window that ends with each second."""
    each = np.bincount(CALLS["second"] - BEGIN_S, minlength=len(SECONDS))
    return pd.Series(each).rolling(window_s, min_periods=1).sum()


def in_flood() -> "pd.Series[float]":
    """1 from the second with more than ten until the one with fewer than five."""
    ten = counted(TEN_MIN_S)
    told = pd.Series(np.where(ten > 10, 1.0, np.where(ten < 5, 0.0, np.nan)))
    return told.ffill().fillna(0.0)


def active() -> pd.DataFrame:
    """When each alarm was active and seen: alarm, from, until."""
    marks = {"alarm": 1, "return_to_normal": 0, "shelved": 0}
    told = TABLE[TABLE["kind"].isin(list(marks))]
    changes = told.assign(on=told["kind"].map(marks)).drop_duplicates(["subject", "second"], keep="last")
    changes = changes[changes["on"] != changes.groupby("subject")["on"].shift(fill_value=0)]
    until = changes.groupby("subject")["second"].shift(-1).fillna(END_S)
    spans = changes.assign(until=until.astype(int))
    return spans[spans["on"] == 1][["subject", "second", "until"]]


def answers() -> pd.DataFrame:
    """The month's annunciations with the seconds of their acknowledgement and return, if any."""
    keys = ["subject", "occurrence"]
    acked = TABLE[TABLE["kind"] == "acknowledged"].set_index(keys)["second"].rename("acked")
    back = TABLE[TABLE["kind"] == "return_to_normal"].set_index(keys)["second"].rename("back")
    return MONTH.join(acked, on=keys).join(back, on=keys)


@pytest.fixture(scope="module")
def found() -> Review:
    alarms = [rule(name, priority) for name, priority in ALARMS.items()]
    return review(site(ZONE, alarms), ENTRIES, first=FIRST, last=LAST, until_utc_ms=END_S * 1_000)


def test_the_month_has_fifty_thousand_events_and_some_of_everything() -> None:
    mine = TABLE[(TABLE["second"] >= FROM_S) & (TABLE["second"] < UNTIL_S)]
    assert 50_000 <= len(mine) < 60_000
    assert set(mine["kind"]) >= {
        "alarm",
        "return_to_normal",
        "acknowledged",
        "shelved",
        "hidden_change",
        "start",
        "stop",
    }


def test_annunciations_and_running_time(found: Review) -> None:
    assert len(found.annunciations) == len(MONTH)
    assert found.running_ms == RUNNING.sum() * 1_000
    assert found.rate(len(MONTH), TEN_MIN_S * 1_000) == pytest.approx(len(MONTH) / RUNNING.sum() * TEN_MIN_S)
    assert found.messages == (MONTH["priority"] != "P3").sum()


@pytest.mark.parametrize(
    ("window_s", "name"), [(MIN_S, "peak_minute"), (TEN_MIN_S, "peak_ten_minutes"), (HOUR_S, "peak_hour")]
)
def test_the_most_in_a_window(found: Review, window_s: int, name: str) -> None:
    inside = counted(window_s)[PERIOD].to_numpy()
    peak = getattr(found, name)
    assert (peak.count, peak.at_ms) == (inside.max(), SECONDS[PERIOD][inside.argmax()] * 1_000)


def test_time_above_a_count(found: Review) -> None:
    assert found.busy_ten_minutes_ms == (counted(TEN_MIN_S)[RUNNING] > 10).sum() * 1_000
    assert found.busy_hours_ms == (counted(HOUR_S)[RUNNING] > 30).sum() * 1_000


def test_floods_and_time_in_them(found: Review) -> None:
    flood = in_flood()
    begins = SECONDS[(flood.diff() == 1).to_numpy()]
    ends = SECONDS[(flood.diff() == -1).to_numpy()]
    expected = [(b, e) for b, e in zip(begins, ends, strict=True) if b < UNTIL_S and e > FROM_S]
    assert len(expected) > 20
    assert [(one.span[0] // 1_000, one.span[1] // 1_000) for one in found.floods] == expected
    assert found.flood_ms == int(flood[RUNNING].sum()) * 1_000
    ten, calls = counted(TEN_MIN_S), CALLS["second"]
    assert [one.peak for one in found.floods] == [ten[b - BEGIN_S : e - BEGIN_S].max() for b, e in expected]
    assert [one.count for one in found.floods] == [((calls > b - TEN_MIN_S) & (calls < e)).sum() for b, e in expected]


def test_the_ten_most_frequent(found: Review) -> None:
    counts = MONTH["subject"].value_counts()
    assert sorted((one.count for one in found.top), reverse=True) == counts.head(10).tolist()
    assert all(counts[one.alarm] == one.count for one in found.top)
    assert found.share(sum(one.count for one in found.top)) == pytest.approx(counts.head(10).sum() / counts.sum())


def test_chattering(found: Review) -> None:
    calls = CALLS.sort_values(["subject", "second"]).reset_index(drop=True)
    each = calls.groupby("subject")["second"]
    calls["third"] = each.diff(2) < MIN_S
    calls["chain"] = (each.diff().fillna(MIN_S + 1) > MIN_S).cumsum()
    begins = calls[calls["third"]].groupby("chain")["second"].first().rename("begun")
    begins = begins[(begins >= FROM_S) & (begins < UNTIL_S)]
    within = calls.join(begins, on="chain").query("second > begun - 60")
    expected = within.groupby("subject").agg(episodes=("chain", "nunique"), count=("second", "size"))
    assert len(expected) > 20
    assert [(one.alarm, one.episodes, one.count) for one in found.chattering] == list(expected.itertuples(name=None))


def test_fleeting(found: Review) -> None:
    told = answers()
    fleeting = told[(told["back"] - told["second"] <= MIN_S) & ~(told["acked"] <= told["back"])]
    assert {one.alarm: one.count for one in found.fleeting} == fleeting["subject"].value_counts().to_dict()
    assert len(fleeting) > 100


def test_standing_on_each_day_and_active_at_once(found: Review) -> None:
    spans = active()
    stood = spans[spans["second"] + DAY_S < spans["until"]]
    days = pd.date_range("2025-03-01", "2025-04-01", tz="CET").map(lambda day: int(day.timestamp()))
    expected = [
        int(((stood["second"] + DAY_S < end) & (stood["until"] > begin)).sum()) for begin, end in pairwise(days)
    ]
    assert max(expected) > 1
    assert [day.standing for day in found.days] == expected
    changes = np.zeros(len(SECONDS) + 1)
    np.add.at(changes, spans["second"] - BEGIN_S, 1)
    np.add.at(changes, spans["until"] - BEGIN_S, -1)
    assert found.active_peak.count == changes.cumsum()[:-1][PERIOD].max()


def test_priorities(found: Review) -> None:
    assert dict(found.priorities) == MONTH["priority"].value_counts().to_dict()


@pytest.mark.parametrize("priority", ["", "P1", "P2", "P3"])
def test_time_to_acknowledge(found: Review, priority: str) -> None:
    told = answers()
    told = told[told["priority"] == priority] if priority else told
    waits = (told["acked"] - told["second"]).dropna()
    one = next(one for one in found.answering if one.priority == priority)
    assert (one.count, len(one.waits_ms)) == (len(told), len(waits))
    for part in (0.5, 0.9):
        assert one.quantile_ms(part) == np.quantile(waits, part, method="inverted_cdf") * 1_000
    newest = CALLS.groupby("subject")["occurrence"].max()
    hidden = TABLE[TABLE["kind"] == "shelved"].groupby("subject")["second"].max()
    open_ones = told[told["acked"].isna() & (told["occurrence"] == told["subject"].map(newest))]
    waiting = (~(open_ones["subject"].map(hidden) >= open_ones["second"])).sum()
    assert (one.waiting, one.never) == (waiting, told["acked"].isna().sum() - waiting)


def test_days_and_hours(found: Review) -> None:
    local = pd.to_datetime(MONTH["second"], unit="s", utc=True).dt.tz_convert("CET")
    days = local.dt.date.value_counts()
    assert [day.annunciations for day in found.days] == [
        int(days.get(day.date(), 0)) for day in pd.date_range(FIRST, LAST)
    ]
    assert list(found.hours_of_day) == local.dt.hour.value_counts().reindex(range(24), fill_value=0).tolist()
    assert sum(day.running_ms for day in found.days) == RUNNING.sum() * 1_000
    assert sum(day.flood_ms for day in found.days) == found.flood_ms
    assert max(day.peak for day in found.days) == counted(TEN_MIN_S)[PERIOD].max()


def test_shelves(found: Review) -> None:
    ends = TABLE[TABLE["kind"].isin(["shelved", "unshelved"])].copy()
    ends["until"] = ends.groupby("subject")["second"].shift(-1).fillna(END_S)
    shelves = ends[ends["kind"] == "shelved"]
    clipped = shelves["until"].clip(FROM_S, UNTIL_S) - shelves["second"].clip(FROM_S, UNTIL_S)
    one = next(one for one in found.hiding if one.how is Hidden.SHELVED)
    assert one.hidden_ms == int(clipped.sum()) * 1_000
    assert one.begun == ((shelves["second"] >= FROM_S) & (shelves["second"] < UNTIL_S)).sum()
    unheard = TABLE[(TABLE["kind"] == "hidden_change") & (TABLE["reason"] == "alarm")]["second"]
    assert sum(each.count for each in found.unheard) == ((unheard >= FROM_S) & (unheard < UNTIL_S)).sum()
