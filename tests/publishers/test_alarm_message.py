"""Texts for people: the words, the order, the length."""

import string
from dataclasses import replace
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.core.alarm import AlarmRule, AlarmText, Priority
from gateway.core.condition import BadQuality, Condition, Equals, Limit, Side, Tripped, Unproven
from gateway.core.interlock import Effect, InterlockRule
from gateway.core.output import OutputRule
from gateway.core.plant import Plant
from gateway.core.validity import TagRule
from gateway.core.voting import Cause
from gateway.publishers.alarm_message import (
    FIRST_PART_CHARACTERS,
    AlarmCard,
    Diversion,
    Nature,
    News,
    alarm_text,
    cards,
    nature_of,
    passed_limit,
    readable,
)

CET = ZoneInfo("CET")
WEDNESDAY = datetime(2025, 2, 26, 9, 31, 12, tzinfo=UTC).astimezone(CET)

CLOUDY = AlarmCard(
    alarm="TURBIDITY-HIGH",
    priority="P1",
    nature=Nature.LIMIT,
    says="filter water cloudy",
    cause="a filter taken into service too early",
    consequence="no recycled water until it is released; the tank lasts about a day",
    action="Look at the filters",
    respond_within_min=60,
    value_tag="AIT-510",
    unit="NTU",
    limits=(10.0, 5.0),
    stops=True,
)
DOUBTED = replace(
    CLOUDY, alarm="TURBIDITY-BAD", nature=Nature.UNTRUSTED, says="turbidity cannot be trusted", limits=(),
    action="Look at the sample line",
)  # fmt: skip
STUCK = replace(
    CLOUDY, alarm="DIVERT-UNPROVEN", nature=Nature.UNMOVED, says="product valve did not move", limits=(), unit="",
    value_tag="", action="Go to site",
)  # fmt: skip
PLAIN = replace(CLOUDY, nature=Nature.STATE, says="plant controller is silent", limits=(), action="Go to site")
DIVERTED = News(
    site="Marrowfell", event=1, message=1, since=WEDNESDAY, diversion=Diversion.PROVEN, value=12.7
)  # fmt: skip

TABLE = [
    (
        "high, proven", CLOUDY, DIVERTED,
        ("MARROWFELL P1 #1/1 Wed 10:31: filter water cloudy 12.7 NTU (limit 10)."
        " Delivery stopped, valve proven at divert. Look at the filters."),
    ),
    (
        "high, not proven yet", CLOUDY, replace(DIVERTED, diversion=Diversion.COMMANDED),
        ("MARROWFELL P1 #1/1 Wed 10:31: filter water cloudy 12.7 NTU (limit 10)."
        " Divert commanded, not proven yet. Look at the filters."),
    ),
    (
        "above the lower limit alone", CLOUDY, replace(DIVERTED, value=6.25),
        ("MARROWFELL P1 #1/1 Wed 10:31: filter water cloudy 6.25 NTU (limit 5)."
        " Delivery stopped, valve proven at divert. Look at the filters."),
    ),
    (
        "cannot be trusted", DOUBTED, replace(DIVERTED, value=None, reason="no_sample_flow"),
        ("MARROWFELL P1 #1/1 Wed 10:31: turbidity cannot be trusted."
        " Delivery stopped, valve proven at divert. Look at the sample line."),
    ),
    (
        "did not move", STUCK,
        replace(DIVERTED, value=None, diversion=Diversion.NOT_PROVEN, stopped=("feed", "supply"), event=118),
        ("MARROWFELL P1 #118/1 Wed 10:31: product valve did not move."
        " Divert commanded, NOT PROVEN; feed and supply stopped. Go to site."),
    ),
    (
        "still delivering", replace(CLOUDY, priority="P2"), replace(DIVERTED, diversion=Diversion.NOT_COMMANDED),
        "MARROWFELL P2 #1/1 Wed 10:31: filter water cloudy 12.7 NTU (limit 10). Delivery goes on. Look at the filters.",
    ),
    (
        "a plain state, field process gone", PLAIN, replace(DIVERTED, value=None, diversion=Diversion.UNKNOWN),
        "MARROWFELL P1 #1/1 Wed 10:31: plant controller is silent. What the plant did is not known. Go to site.",
    ),
]  # fmt: skip


@pytest.mark.parametrize(("card", "news", "expected"), [row[1:] for row in TABLE], ids=[row[0] for row in TABLE])
def test_first_parts(card: AlarmCard, news: News, expected: str) -> None:
    assert alarm_text(card, news).first == expected
    assert len(expected) <= FIRST_PART_CHARACTERS


def test_the_three_natures_are_told_apart_even_when_the_configured_words_do_not() -> None:
    vague = replace(CLOUDY, says="turbidity", limits=(10.0,))
    texts = {
        nature: alarm_text(replace(vague, nature=nature), replace(DIVERTED, value=value))
        for nature, value in ((Nature.LIMIT, 12.7), (Nature.UNTRUSTED, None), (Nature.UNMOVED, None))
    }
    assert "12.7 NTU (limit 10)" in texts[Nature.LIMIT].first
    assert "cannot be trusted" in texts[Nature.UNTRUSTED].first
    assert "did not move" in texts[Nature.UNMOVED].first
    for nature, text in texts.items():
        others = {"limit": "(limit", "untrusted": "cannot be trusted", "unmoved": "did not move"}
        del others[nature.value]
        assert not [words for words in others.values() if words in text.first]


def test_an_untrusted_value_is_never_shown_as_a_figure() -> None:
    text = alarm_text(DOUBTED, replace(DIVERTED, value=None, reason="no_sample_flow"))
    assert "NTU" not in text.first
    assert "no sample flow" in text.second


def test_the_second_part_has_cause_consequence_action_and_time() -> None:
    second = alarm_text(CLOUDY, DIVERTED).second
    assert second == (
        "filter water cloudy 12.7 NTU (limit 10). Usual cause: a filter taken into service too early."
        " If nobody acts: no recycled water until it is released; the tank lasts about a day."
        " Please, within 60 min: Look at the filters."
    )


def test_old_news_says_how_old_it_is() -> None:
    assert "Told late: this is 45 min old." in alarm_text(CLOUDY, replace(DIVERTED, late_s=2_700)).second
    assert "Told late: this is 70 h old." in alarm_text(CLOUDY, replace(DIVERTED, late_s=252_000)).second
    assert "Told late" not in alarm_text(CLOUDY, replace(DIVERTED, late_s=119)).second


def test_what_people_have_put_aside_is_told_with_every_message() -> None:
    news = replace(DIVERTED, put_aside="I-07 bypassed by VISITOR-OP for 14 min more")
    assert "Put aside by people: I-07 bypassed by VISITOR-OP for 14 min more." in alarm_text(CLOUDY, news).second
    assert "Put aside" not in alarm_text(CLOUDY, DIVERTED).second


def test_a_long_action_is_told_up_to_a_pause_and_whole_in_the_second_part() -> None:
    action = "look at both filters, backwash one; take it out, take a grab sample, then release and write down why"
    text = alarm_text(replace(CLOUDY, action=action), DIVERTED)
    assert text.first.endswith("valve proven at divert. Look at both filters, backwash one ..")
    assert action in text.second


def test_an_action_without_a_pause_that_fits_moves_to_the_second_part() -> None:
    action = "look " * 40
    text = alarm_text(replace(CLOUDY, action=action), DIVERTED)
    assert text.first.endswith("valve proven at divert. Read part 2.")
    assert action.strip() in text.second


def test_when_room_is_short_the_state_is_told_up_to_its_colon() -> None:
    says = "filter water cloudy: turbidity is above its limit"
    action = "Look at both filters and take a sample"
    assert "above its limit 12.7 NTU" in alarm_text(replace(CLOUDY, says=says, action="Go"), DIVERTED).first
    short = alarm_text(replace(CLOUDY, says=says, action=action), DIVERTED).first
    assert "filter water cloudy 12.7 NTU (limit 10). Delivery" in short
    assert short.endswith(f"{action}.")


def test_words_that_say_already_why_there_is_no_value_are_not_doubled() -> None:
    for says in ("analyzer AN2 is silent", "sump level has no usable value", "tank level is not known"):
        assert f": {says}. " in alarm_text(replace(DOUBTED, says=says), replace(DIVERTED, value=None)).first


def test_long_words_are_cut_at_a_word_and_what_the_plant_did_stays() -> None:
    text = alarm_text(replace(CLOUDY, nature=Nature.STATE, says="the quick brown fox " * 12), DIVERTED).first
    assert len(text) <= FIRST_PART_CHARACTERS
    assert "Delivery stopped, valve proven at divert." in text
    assert "the quick brown" in text
    assert " .." in text


def test_letters_outside_ascii_are_put_into_ascii() -> None:
    text = alarm_text(replace(CLOUDY, says="température trop élevée", unit="µg/m³"), replace(DIVERTED, site="Säntis"))
    assert "temperature trop elevee 12.7 ug/m3" in text.first
    assert text.first.isascii()
    assert text.second.isascii()


def test_the_time_is_the_sites_own_over_the_change_to_summer_time() -> None:
    winter = datetime(2025, 3, 30, 0, 59, tzinfo=UTC).astimezone(CET)
    summer = datetime(2025, 3, 30, 1, 1, tzinfo=UTC).astimezone(CET)
    assert "Sun 01:59" in alarm_text(CLOUDY, replace(DIVERTED, since=winter)).first
    assert "Sun 03:01" in alarm_text(CLOUDY, replace(DIVERTED, since=summer)).first


WORDS = st.text(alphabet=string.ascii_letters + " .,é³", min_size=1, max_size=300).filter(str.strip)


@given(
    site=st.text(alphabet=string.ascii_letters, min_size=1, max_size=20),
    says=WORDS,
    action=WORDS,
    nature=st.sampled_from(Nature),
    diversion=st.sampled_from(Diversion),
    event=st.integers(1, 99_999),
    value=st.none() | st.floats(-1e6, 1e6),
    stopped=st.lists(st.sampled_from(["feed", "supply"]), unique=True).map(tuple),
)
def test_whatever_is_configured_the_first_part_fits_and_says_what_the_plant_did(
    *,
    site: str,
    says: str,
    action: str,
    nature: Nature,
    diversion: Diversion,
    event: int,
    value: float | None,
    stopped: tuple[str, ...],
) -> None:
    card = replace(CLOUDY, nature=nature, says=says, action=action)
    news = replace(DIVERTED, site=site, diversion=diversion, event=event, value=value, stopped=stopped)
    first = alarm_text(card, news).first
    did = {
        Diversion.PROVEN: "proven at divert",
        Diversion.COMMANDED: "not proven yet",
        Diversion.NOT_PROVEN: "NOT PROVEN",
        Diversion.NOT_COMMANDED: "Delivery goes on",
        Diversion.UNKNOWN: "not known",
    }
    assert len(first) <= FIRST_PART_CHARACTERS
    assert first.isascii()
    assert first.startswith(f"{site.upper()} P1 #{event}/1 Wed 10:31: ")
    assert did[diversion] in first


@pytest.mark.parametrize(
    ("value", "limit", "expected"),
    [
        (12.71, 10.0, "12.7"),
        (10.04, 10.0, "10.04"),
        (10.0, 10.0, "10.0"),
        (1.999, 2.0, "1.999"),
        (0.45, None, "0.450"),
        (0.0, 50.0, "0"),
    ],
)
def test_a_value_is_shown_so_that_it_differs_from_its_limit(value: float, limit: float | None, expected: str) -> None:
    assert readable(value, limit) == expected


@pytest.mark.parametrize(("value", "limit"), [(12.0, 10.0), (7.0, 5.0), (4.0, 5.0), (None, 5.0)])
def test_the_limit_shown_is_the_farthest_one_passed(value: float | None, limit: float) -> None:
    assert passed_limit(CLOUDY, value) == limit


def test_below_counts_downwards() -> None:
    low = replace(CLOUDY, limits=(2.0, 1.0), side=Side.LOW)
    assert [passed_limit(low, value) for value in (1.5, 0.9, 3.0)] == [2.0, 1.0, 2.0]


HIGH = Limit(tag="AIT-510", side=Side.HIGH, limit=10.0)
BAD = BadQuality(tag="AIT-510")
UNPROVEN = Unproven(output="product", tag="ZSC-901")


@pytest.mark.parametrize(
    ("inputs", "nature"),
    [
        ((HIGH,), Nature.LIMIT),
        ((BAD,), Nature.UNTRUSTED),
        ((UNPROVEN,), Nature.UNMOVED),
        ((Equals(tag="X"),), Nature.STATE),
        ((HIGH, BAD), Nature.LIMIT),
        ((), Nature.STATE),
    ],
)
def test_the_nature_follows_the_conditions(inputs: tuple[Condition, ...], nature: Nature) -> None:
    assert nature_of(inputs) is nature


def test_cards_are_made_from_the_rules() -> None:
    text = AlarmText(says="filter water cloudy", cause="c", consequence="q", action="a", respond_within_ms=3_600_000)
    interlock = InterlockRule(
        id="I-01", causes=(Cause(inputs=(HIGH,)), Cause(inputs=(replace(HIGH, limit=5.0),))),
        effects=(Effect(output="product", level="withdrawn"),),
    )  # fmt: skip
    product = OutputRule(
        id="product", register_tag="GW-PERMIT", codes={"permitted": 42405, "withdrawn": 0}, safe_level="withdrawn",
        normal_level="permitted",
    )  # fmt: skip
    plant = Plant(
        tags=(TagRule(tag="AIT-510", unit="NTU", stale_after_ms=15_000),),
        alarms=(
            AlarmRule(id="A", condition=Tripped(interlock="I-01"), priority=Priority.P1, text=text),
            AlarmRule(id="B", condition=HIGH, priority=Priority.P2, text=text),
        ),
        interlocks=(interlock,),
        outputs=(product,),
    )
    made = cards(plant)
    assert made["A"].limits == (10.0, 5.0)
    assert (made["A"].unit, made["A"].value_tag, made["A"].nature) == ("NTU", "AIT-510", Nature.LIMIT)
    assert (made["A"].respond_within_min, made["A"].stops) == (60, True)
    assert (made["B"].priority, made["B"].stops, made["B"].limits) == ("P2", False, (10.0,))
