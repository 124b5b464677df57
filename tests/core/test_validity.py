"""What a reading is worth: every reason, once, at the tag."""

from dataclasses import replace

import pytest

from gateway.core.quality import SENTENCES, Quality, Reason
from gateway.core.sample import NoNumber, Number, Reading, Sample, Text
from gateway.core.tick import Tick
from gateway.core.validity import (
    AWAITED,
    HELD,
    BadWhen,
    HoldWhen,
    TagRule,
    TagState,
    TestConstant,
    ValidWhen,
    Verdict,
    accept,
    after_restart,
    forget_stamps,
    fresh_tag,
    governors_of,
    judge,
)

UTC_MS = 1_738_800_000_000
RULE = TagRule(tag="A", stale_after_ms=15_000)
FLOW = ValidWhen(tag="F", minimum=1.0, invalid_after_ms=5_000, purge_ms=10_000)


def tick(ms: int) -> Tick:
    return Tick(monotonic_ms=ms, utc_ms=UTC_MS + ms)


class Tag:
    """One tag, second by second."""

    def __init__(self, rule: TagRule) -> None:
        self.rule = rule
        self.state: TagState = fresh_tag(rule, tick(0))

    def reads(self, ms: int, reading: float | Reading, *, stamp_ms: int | None = None, holding: bool = False) -> None:
        reading = Number(reading) if isinstance(reading, float) else reading
        stamp = UTC_MS + (ms if stamp_ms is None else stamp_ms)
        sample = Sample(tag="A", reading=reading, arrived=tick(ms), source_utc_ms=stamp)
        self.state = accept(self.rule, self.state, sample, now=tick(ms), holding=holding)

    def at(self, ms: int, **governors: float | Verdict) -> Verdict:
        verdicts = {name: Number(one) if isinstance(one, float) else one for name, one in governors.items()}
        self.state, verdict = judge(self.rule, self.state, verdicts, tick(ms), beside={})
        return verdict


def test_nothing_has_arrived_yet_and_then_it_is_overdue() -> None:
    tag = Tag(RULE)
    assert tag.at(14_999) is AWAITED
    assert tag.at(15_000) == NoNumber(Reason.STALE)


def test_a_tag_without_a_bound_waits_for_ever() -> None:
    assert Tag(TagRule(tag="A")).at(10**9) is AWAITED


def test_a_reading_goes_stale_exactly_at_its_age() -> None:
    tag = Tag(RULE)
    tag.reads(1_000, 5.0)
    assert tag.at(15_999) == Number(5.0)
    assert tag.at(16_000) == NoNumber(Reason.STALE)


@pytest.mark.parametrize(
    "reason",
    [
        Reason.NO_ANSWER,
        Reason.REFUSED,
        Reason.INVALID_REPLY,
        Reason.NOT_FINITE,
        Reason.SENTINEL,
        Reason.OUT_OF_RANGE,
        Reason.LOOP_FAULT,
    ],
)
def test_what_the_poll_says_is_wrong_is_what_the_tag_says(reason: Reason) -> None:
    tag = Tag(RULE)
    tag.reads(1_000, NoNumber(reason))
    assert tag.at(1_000) == NoNumber(reason)
    assert tag.at(60_000) == NoNumber(reason)  # it says more than "stale"


@pytest.mark.parametrize("reason", [Reason.OVER_RANGE, Reason.UNDER_RANGE])
def test_a_clipped_reading_counts_and_is_marked(reason: Reason) -> None:
    tag = Tag(RULE)
    tag.reads(1_000, Number(20.0, Quality.UNCERTAIN, reason))
    assert tag.at(1_000) == Number(20.0, Quality.UNCERTAIN, reason)


def test_an_uncertain_reading_is_refused_where_the_rule_says_so() -> None:
    tag = Tag(replace(RULE, uncertain_counts=False))
    tag.reads(1_000, Number(20.0, Quality.UNCERTAIN, Reason.OVER_RANGE))
    assert tag.at(1_000) == NoNumber(Reason.UNCERTAIN_REFUSED)


def test_a_reading_that_does_not_move_is_frozen_until_it_moves_by_more_than_the_band() -> None:
    tag = Tag(replace(RULE, stale_after_ms=None, frozen_after_ms=10_000, frozen_band=0.1))
    tag.reads(0, 1.0)
    tag.reads(9_000, 1.1)  # by the band, in binary fractions a little more
    assert tag.at(9_999) == Number(1.1)
    assert tag.at(10_000) == NoNumber(Reason.FROZEN)
    tag.reads(11_000, 1.2)
    assert tag.at(11_000) == Number(1.2)


def test_low_sample_flow_spoils_after_its_time_and_purges_after_it_is_back() -> None:
    tag = Tag(replace(RULE, stale_after_ms=None, valid_when=(FLOW,)))
    tag.reads(0, 5.0)
    assert tag.at(0, F=0.0) == Number(5.0)
    assert tag.at(4_999, F=0.9) == Number(5.0)
    assert tag.at(5_000, F=0.9) == NoNumber(Reason.NO_SAMPLE_FLOW)
    assert tag.at(6_000, F=1.0) == NoNumber(Reason.PURGING)
    assert tag.at(9_000, F=0.5) == NoNumber(Reason.NO_SAMPLE_FLOW)  # a new dip
    assert tag.at(10_000, F=1.0) == NoNumber(Reason.PURGING)
    assert tag.at(19_999, F=1.0) == NoNumber(Reason.PURGING)
    assert tag.at(20_000, F=1.0) == Number(5.0)


def test_a_flow_that_is_bad_counts_as_none_and_one_that_is_awaited_as_before() -> None:
    tag = Tag(replace(RULE, stale_after_ms=None, valid_when=(FLOW,)))
    tag.reads(0, 5.0)
    assert tag.at(0, F=NoNumber(Reason.NO_ANSWER)) == Number(5.0)
    assert tag.at(3_000, F=AWAITED) == Number(5.0)
    assert tag.at(5_000, F=NoNumber(Reason.NO_ANSWER)) == NoNumber(Reason.NO_SAMPLE_FLOW)


STATUS = BadWhen(tag="S", mask=0b110, reason=Reason.DEVICE_FAULT)


@pytest.mark.parametrize(
    ("status", "verdict"),
    [
        pytest.param(0b001, Number(5.0), id="another bit"),
        pytest.param(0b100, NoNumber(Reason.DEVICE_FAULT), id="one of the bits"),
        pytest.param(NoNumber(Reason.NO_ANSWER), NoNumber(Reason.GOVERNOR_BAD), id="status without a value"),
        pytest.param(AWAITED, AWAITED, id="status awaited"),
        pytest.param(HELD, Number(5.0), id="status held"),
    ],
)
def test_status_bits_spoil_a_reading_and_so_does_a_status_of_no_worth(status: int | Verdict, verdict: Verdict) -> None:
    tag = Tag(replace(RULE, bad_when=(STATUS,)))
    tag.reads(0, 5.0)
    assert tag.at(0, S=float(status) if isinstance(status, int) else status) == verdict


def test_the_first_status_that_spoils_gives_the_reason() -> None:
    hold = BadWhen(tag="S", mask=0b1, reason=Reason.HOLD)
    tag = Tag(replace(RULE, bad_when=(hold, STATUS)))
    tag.reads(0, 5.0)
    assert tag.at(0, S=7.0) == NoNumber(Reason.HOLD)
    assert tag.at(0, S=6.0) == NoNumber(Reason.DEVICE_FAULT)


@pytest.mark.parametrize(
    ("status", "verdict"),
    [
        (0.0, Number(5.0)),
        (1.0, Number(5.0)),
        (2.0, NoNumber(Reason.HOLD)),
        (3.0, NoNumber(Reason.HOLD)),
        (2.5, Number(5.0)),
        (NoNumber(Reason.UNKNOWN_STATE), NoNumber(Reason.GOVERNOR_BAD)),
        (Text("hold"), NoNumber(Reason.GOVERNOR_BAD)),
    ],
)
def test_values_of_a_status_spoil_a_reading_as_its_bits_do(status: float | Verdict, verdict: Verdict) -> None:
    cleaning = BadWhen(tag="S", values=frozenset({2.0, 3.0}), reason=Reason.HOLD)
    tag = Tag(replace(RULE, bad_when=(cleaning,)))
    tag.reads(0, 5.0)
    assert tag.at(0, S=status) == verdict


def test_bits_of_a_rounded_count_are_not_believed() -> None:
    tag = Tag(replace(RULE, bad_when=(STATUS,)))
    tag.reads(0, 5.0)
    rounded = Number(2.0**60, Quality.UNCERTAIN, Reason.ROUNDED)
    assert tag.at(0, S=rounded) == NoNumber(Reason.GOVERNOR_BAD)


def test_a_held_tag_is_held_until_its_first_sample_after_the_hold_and_bad_past_its_limit() -> None:
    tag = Tag(replace(RULE, stale_after_ms=None, hold_when=HoldWhen(tag="H", limit_ms=20_000)))
    tag.reads(0, 5.0)
    assert tag.at(0, H=0.0) == Number(5.0)
    assert tag.at(1_000, H=1.0) is HELD
    tag.reads(2_000, 99.0, holding=True)  # a standard in the cell
    assert tag.at(2_000, H=1.0) is HELD
    assert tag.at(20_999, H=0.0) is HELD  # the hold has ended, nothing has been read since
    assert tag.at(21_000, H=0.0) == NoNumber(Reason.HOLD)
    tag.reads(22_000, 4.0)
    assert tag.at(22_000, H=0.0) == Number(4.0)


def test_a_hold_of_unknown_state_is_no_hold() -> None:
    tag = Tag(replace(RULE, hold_when=HoldWhen(tag="H", limit_ms=20_000)))
    tag.reads(0, 5.0)
    assert tag.at(0, H=NoNumber(Reason.NO_ANSWER)) == Number(5.0)


def test_held_counts_before_stale_and_stale_before_what_the_flow_says() -> None:
    rule = replace(RULE, valid_when=(FLOW,), hold_when=HoldWhen(tag="H", limit_ms=10**6))
    tag = Tag(rule)
    tag.reads(0, 5.0)
    tag.at(0, F=0.0, H=0.0)
    assert tag.at(20_000, F=0.0, H=0.0) == NoNumber(Reason.STALE)
    assert tag.at(20_001, F=0.0, H=1.0) is HELD


# --- the test constant ------------------------------------------------------------------------------------------------

CONSTANT = TestConstant(tag="C", value=12_345.678, tolerance=0.001)
PROVEN = replace(RULE, constant=CONSTANT)
WRONG = NoNumber(Reason.WRONG_CONSTANT)


@pytest.mark.parametrize(
    ("constant", "verdict"),
    [
        (Number(12_345.678), Number(5.0)),
        (AWAITED, AWAITED),
        (WRONG, WRONG),
        (NoNumber(Reason.NO_ANSWER), NoNumber(Reason.GOVERNOR_BAD)),
        (NoNumber(Reason.STALE), NoNumber(Reason.GOVERNOR_BAD)),
        (HELD, NoNumber(Reason.GOVERNOR_BAD)),
        (Text("12345.678"), NoNumber(Reason.GOVERNOR_BAD)),
    ],
)
def test_a_device_is_worth_what_its_test_constant_says(constant: Verdict, verdict: Verdict) -> None:
    tag = Tag(PROVEN)
    tag.reads(0, 5.0)
    assert tag.at(0, C=constant) == verdict


@pytest.mark.parametrize(
    ("reading", "right"),
    [
        (Number(12_345.678), True),
        (Number(12_345.679), True),  # by the tolerance, in binary fractions a little more
        (Number(12_345.677), True),
        (Number(12_345.6801), False),
        (Number(-1.6e-29), False),
        (NoNumber(Reason.NOT_FINITE), False),
        (NoNumber(Reason.OUT_OF_RANGE), False),
        (Text("no"), False),
    ],
)
def test_the_tag_of_the_constant_is_itself_bad_while_it_reads_wrong(reading: Reading, right: bool) -> None:  # noqa: FBT001 - a parameter of the test
    own = Tag(TagRule(tag="C", stale_after_ms=15_000, constant=CONSTANT))
    assert own.at(0) is AWAITED
    own.reads(1_000, reading)
    assert own.at(1_000) == (reading if right else WRONG)
    assert governors_of(own.rule) == ()


@pytest.mark.parametrize("reason", [Reason.NO_ANSWER, Reason.REFUSED, Reason.INVALID_REPLY])
def test_where_nothing_was_read_that_is_told_whatever_the_constant_says(reason: Reason) -> None:
    own = Tag(TagRule(tag="C", stale_after_ms=15_000, constant=CONSTANT))
    own.reads(0, NoNumber(reason))
    assert own.at(0) == NoNumber(reason)
    tag = Tag(PROVEN)
    tag.reads(0, NoNumber(reason))
    assert tag.at(0, C=WRONG) == NoNumber(reason)


def test_a_wrong_constant_says_more_than_what_the_rubbish_looks_like() -> None:
    tag = Tag(replace(PROVEN, valid_when=(FLOW,), bad_when=(STATUS,)))
    tag.reads(0, NoNumber(Reason.OUT_OF_RANGE))
    assert tag.at(0, C=WRONG, F=WRONG, S=WRONG) == WRONG
    tag.at(9_000, C=WRONG, F=WRONG, S=WRONG)
    assert tag.at(9_000, C=Number(12_345.678), F=WRONG, S=6.0) == NoNumber(Reason.NO_SAMPLE_FLOW)
    assert tag.at(15_000, C=WRONG, F=1.0, S=0.0) == NoNumber(Reason.OUT_OF_RANGE)  # overdue: what was heard last


# --- texts --------------------------------------------------------------------------------------------------------


def test_a_text_is_told_goes_stale_and_never_looks_frozen() -> None:
    tag = Tag(replace(RULE, stale_after_ms=60_000, frozen_after_ms=5_000, bad_when=(STATUS,)))
    tag.reads(0, Text("FS-501 V2"))
    assert tag.at(30_000, S=0.0) == Text("FS-501 V2")
    assert tag.at(30_000, S=2.0) == NoNumber(Reason.DEVICE_FAULT)
    assert tag.at(60_000, S=0.0) == NoNumber(Reason.STALE)


def test_a_text_of_several_lines_is_none() -> None:
    with pytest.raises(ValueError, match="printable characters only"):
        Text("one\ntwo")


# --- which samples count ------------------------------------------------------------------------------------------


def test_a_stamp_that_is_not_newer_is_history_only() -> None:
    tag = Tag(RULE)
    tag.reads(10_000, 5.0)
    tag.reads(11_000, 6.0, stamp_ms=10_000)
    tag.reads(12_000, 7.0, stamp_ms=9_000)
    assert tag.at(12_000) == Number(5.0)
    assert tag.at(25_000) == NoNumber(Reason.STALE)  # nor did they keep it alive
    tag.state = forget_stamps(tag.state)
    tag.reads(26_000, 8.0, stamp_ms=19_000)
    assert tag.at(26_000) == Number(8.0)


def test_a_backlog_is_not_live_even_when_it_is_the_newest() -> None:
    tag = Tag(RULE)
    tag.reads(60_000, 5.0, stamp_ms=45_000)
    assert tag.at(60_000) == NoNumber(Reason.STALE)
    tag.reads(60_000, 5.0, stamp_ms=45_001)
    assert tag.at(60_000) == Number(5.0)


def test_a_stamp_from_the_future_is_replaced_by_the_arrival() -> None:
    tag = Tag(RULE)
    tag.reads(1_000, 5.0, stamp_ms=1_000 + 3_600_000)
    tag.reads(2_000, 6.0)
    assert tag.at(2_000) == Number(6.0)


def test_a_wall_clock_set_after_the_arrival_makes_no_sample_old() -> None:
    tag = Tag(RULE)
    sample = Sample(tag="A", reading=Number(5.0), arrived=tick(900), source_utc_ms=UTC_MS + 900)
    set_forward = Tick(monotonic_ms=1_000, utc_ms=UTC_MS + 3_601_000)
    tag.state = accept(RULE, forget_stamps(tag.state), sample, now=set_forward, holding=False)
    assert tag.at(1_000) == Number(5.0)


# --- rates --------------------------------------------------------------------------------------------------------


def test_a_rate_is_per_minute_and_never_across_a_gap() -> None:
    tag = Tag(RULE)
    tag.reads(0, 1.0)
    assert tag.state.rate_per_min is None
    tag.reads(6_000, 0.7)
    assert tag.state.rate_per_min == 3.0
    tag.reads(21_000, 5.0)
    assert tag.state.rate_per_min is None


# --- a restart ----------------------------------------------------------------------------------------------------


def test_the_age_of_a_reading_counts_running_time_only_and_its_value_is_awaited_again() -> None:
    tag = Tag(RULE)
    tag.reads(0, 5.0)
    tag.state = after_restart(tag.state, down_ms=3_600_000, shift_ms=0, wall_went_back=False)
    assert tag.at(3_600_000 + 14_999) is AWAITED
    assert tag.at(3_600_000 + 15_000) == NoNumber(Reason.STALE)


def test_after_the_wall_clock_went_back_stamps_compare_afresh() -> None:
    tag = Tag(RULE)
    tag.reads(10_000, 5.0)
    tag.state = after_restart(tag.state, down_ms=0, shift_ms=0, wall_went_back=True)
    tag.reads(11_000, 6.0, stamp_ms=9_000)
    assert tag.at(11_000) == Number(6.0)


def test_who_governs_is_known_for_every_kind_of_rule() -> None:
    rule = replace(PROVEN, valid_when=(FLOW,), bad_when=(STATUS,), hold_when=HoldWhen(tag="H", limit_ms=1))
    assert governors_of(rule) == ("F", "S", "H", "C")


def test_every_reason_has_a_sentence() -> None:
    assert set(SENTENCES) == set(Reason)
    assert all(SENTENCES.values())
