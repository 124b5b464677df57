"""Every kind of condition, in, between and clear; at its limit; and what a reading without a value does."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.core.condition import (
    NOTHING,
    Answer,
    BadQuality,
    BitSet,
    BypassEnds,
    BypassExpired,
    Condition,
    Count,
    Deviation,
    Equals,
    HoldOverdue,
    Limit,
    Memory,
    Mismatch,
    NoChange,
    OtherLimit,
    Rate,
    Side,
    StateLimit,
    TimeBeyond,
    Tripped,
    Unproven,
    Unwritable,
    View,
    WrittenOver,
    ask,
    look_of,
    tags_of,
)
from gateway.core.evidence import evidence, in_words
from gateway.core.quality import Quality, Reason
from gateway.core.sample import NoNumber, Number, Text
from gateway.core.validity import AWAITED, HELD, TagRule, Verdict

IN, BETWEEN, CLEAR = Answer.IN, Answer.BETWEEN, Answer.CLEAR
HIGH = Limit(tag="A", side=Side.HIGH, limit=10.0, deadband=0.5)
LOW = Limit(tag="A", side=Side.LOW, limit=2.0, deadband=0.2)
RATE = Rate(tag="A", limit=5.0, deadband=1.0)
DEVIATION = Deviation(tag="A", other="B", limit=3.0, deadband=1.0)
BITS = BitSet(tag="A", mask=0b101)
MISMATCH = Mismatch(command="A", feedback="B")
UNPROVEN = Unproven(output="product", tag="A")
ENDS = BypassEnds(within_ms=60_000)
EXPIRED = BypassExpired(for_ms=30_000)
OVERDUE = HoldOverdue(by_ms=20_000)


def view(
    a: float | Verdict = AWAITED,
    b: float | Verdict = AWAITED,
    *,
    now_ms: int = 100_000,
    rate: float | None = None,
    safe_since_ms: int | None = None,
    standing: frozenset[str] = frozenset(),
    unconfirmed: frozenset[str] = frozenset(),
    written_over: frozenset[str] = frozenset(),
    bypass_ends_ms: int | None = None,
    bypass_expired_ms: int | None = None,
    hold_ends_ms: int | None = None,
) -> View:
    verdicts = {name: Number(one) if isinstance(one, float) else one for name, one in (("A", a), ("B", b))}
    return View(
        now_ms=now_ms,
        verdicts=verdicts,
        rates={"A": rate},
        safe_since_ms={"product": safe_since_ms},
        standing=standing,
        unconfirmed=unconfirmed,
        written_over=written_over,
        bypass_ends_ms=bypass_ends_ms,
        bypass_expired_ms=bypass_expired_ms,
        hold_ends_ms=hold_ends_ms,
    )


@pytest.mark.parametrize(
    ("condition", "seen", "answer"),
    [
        pytest.param(HIGH, view(10.0), BETWEEN, id="high: at the limit is not beyond it"),
        pytest.param(HIGH, view(10.001), IN, id="high: beyond"),
        pytest.param(HIGH, view(9.501), BETWEEN, id="high: inside the deadband"),
        pytest.param(HIGH, view(9.5), CLEAR, id="high: at the end of the deadband"),
        pytest.param(LOW, view(2.0), BETWEEN, id="low: at the limit is not beyond it"),
        pytest.param(LOW, view(1.999), IN, id="low: beyond"),
        pytest.param(LOW, view(2.199), BETWEEN, id="low: inside the deadband"),
        pytest.param(LOW, view(2.2), CLEAR, id="low: at the end of the deadband"),
        pytest.param(RATE, view(1.0, rate=5.0), BETWEEN, id="rate: at the limit"),
        pytest.param(RATE, view(1.0, rate=5.1), IN, id="rate: beyond"),
        pytest.param(RATE, view(1.0, rate=4.0), CLEAR, id="rate: clear"),
        pytest.param(RATE, view(1.0), Answer.HELD, id="rate: one sample has none"),
        pytest.param(DEVIATION, view(5.0, 2.0), BETWEEN, id="deviation: at the limit"),
        pytest.param(DEVIATION, view(1.0, 4.5), IN, id="deviation: beyond, either way round"),
        pytest.param(DEVIATION, view(4.0, 2.0), CLEAR, id="deviation: clear"),
        pytest.param(Equals(tag="A"), view(1.0), IN, id="equals"),
        pytest.param(Equals(tag="A"), view(2.0), CLEAR, id="equals something else"),
        pytest.param(BITS, view(4.0), IN, id="bits: one of them"),
        pytest.param(BITS, view(2.0), CLEAR, id="bits: another"),
        pytest.param(MISMATCH, view(1.0, 0.0), IN, id="mismatch"),
        pytest.param(MISMATCH, view(1.0, 1.0), CLEAR, id="match"),
        pytest.param(BadQuality(tag="A"), view(NoNumber(Reason.STALE)), IN, id="bad quality"),
        pytest.param(BadQuality(tag="A"), view(1.0), CLEAR, id="bad quality: it is good"),
        pytest.param(BadQuality(tag="A"), view(HELD), Answer.HELD, id="bad quality: held is not bad"),
        pytest.param(BadQuality(tag="A"), view(AWAITED), Answer.AWAITED, id="bad quality: awaited is not bad"),
        pytest.param(Tripped(interlock="I"), view(standing=frozenset({"I"})), IN, id="tripped"),
        pytest.param(Tripped(interlock="I"), view(standing=frozenset({"J"})), CLEAR, id="another tripped"),
        pytest.param(Unwritable(output="o"), view(unconfirmed=frozenset({"o"})), IN, id="not read back"),
        pytest.param(Unwritable(output="o"), view(), CLEAR, id="read back"),
        pytest.param(WrittenOver(output="o"), view(written_over=frozenset({"o"})), IN, id="written over"),
        pytest.param(WrittenOver(output="o"), view(written_over=frozenset({"p"})), CLEAR, id="another written over"),
        pytest.param(ENDS, view(), CLEAR, id="no bypass"),
        pytest.param(ENDS, view(bypass_ends_ms=160_001), CLEAR, id="a bypass ends later"),
        pytest.param(ENDS, view(bypass_ends_ms=160_000), IN, id="a bypass ends soon"),
        pytest.param(EXPIRED, view(), CLEAR, id="no bypass expired"),
        pytest.param(EXPIRED, view(bypass_expired_ms=100_000), IN, id="a bypass expires now"),
        pytest.param(EXPIRED, view(bypass_expired_ms=70_000), CLEAR, id="a bypass expired long ago"),
        pytest.param(OVERDUE, view(), CLEAR, id="no hold"),
        pytest.param(OVERDUE, view(hold_ends_ms=80_001), CLEAR, id="a hold that is not overdue yet"),
        pytest.param(OVERDUE, view(hold_ends_ms=80_000), IN, id="a hold overdue"),
        pytest.param(UNPROVEN, view(0.0), CLEAR, id="unproven: not commanded"),
        pytest.param(UNPROVEN, view(1.0, safe_since_ms=90_000), CLEAR, id="proven"),
        pytest.param(UNPROVEN, view(0.0, safe_since_ms=90_000), IN, id="unproven"),
        pytest.param(UNPROVEN, view(NoNumber(Reason.STALE), safe_since_ms=90_000), IN, id="no answer is no proof"),
        pytest.param(UNPROVEN, view(AWAITED, safe_since_ms=90_000), IN, id="no reading yet is no proof"),
    ],
)
def test_condition(condition: Condition, seen: View, answer: Answer) -> None:
    assert ask(condition, NOTHING, seen).answer is answer


@pytest.mark.parametrize("condition", [HIGH, LOW, RATE, DEVIATION, Equals(tag="A"), BITS, MISMATCH])
@pytest.mark.parametrize(
    ("verdict", "answer"),
    [(NoNumber(Reason.STALE), Answer.BAD), (HELD, Answer.HELD), (AWAITED, Answer.AWAITED)],
    ids=["bad", "held", "awaited"],
)
def test_a_reading_without_a_value_is_never_compared(condition: Condition, verdict: Verdict, answer: Answer) -> None:
    assert ask(condition, NOTHING, view(verdict, 1.0, rate=9.0)).answer is answer


@pytest.mark.parametrize("condition", [HIGH, LOW, RATE, DEVIATION, Equals(tag="A"), BITS, MISMATCH])
def test_a_text_is_never_compared_and_is_no_bad_quality(condition: Condition) -> None:
    assert ask(condition, NOTHING, view(Text("1"), 1.0, rate=9.0)).answer is Answer.BAD
    assert ask(BadQuality(tag="A"), NOTHING, view(Text("1"))).answer is Answer.CLEAR


def test_bits_of_a_count_whose_last_digits_are_rounded_are_unknown() -> None:
    rounded = Number(float(2**60), Quality.UNCERTAIN, Reason.ROUNDED)
    assert ask(BITS, NOTHING, view(rounded)).answer is Answer.BAD


WRONG_ONLY = frozenset({Reason.WRONG_CONSTANT})


@pytest.mark.parametrize(
    ("because", "except_for", "reason", "answer"),
    [
        (WRONG_ONLY, frozenset(), Reason.WRONG_CONSTANT, IN),
        (WRONG_ONLY, frozenset(), Reason.NO_ANSWER, CLEAR),
        (frozenset(), WRONG_ONLY, Reason.WRONG_CONSTANT, CLEAR),
        (frozenset(), WRONG_ONLY, Reason.NO_ANSWER, IN),
        (WRONG_ONLY, WRONG_ONLY, Reason.WRONG_CONSTANT, CLEAR),
    ],
)
def test_bad_quality_counts_for_the_reasons_that_are_named(
    because: frozenset[Reason], except_for: frozenset[Reason], reason: Reason, answer: Answer
) -> None:
    condition = BadQuality(tag="A", because=because, except_for=except_for)
    assert ask(condition, NOTHING, view(NoNumber(reason))).answer is answer
    assert ask(condition, NOTHING, view(HELD)).answer is Answer.HELD
    assert ask(condition, NOTHING, view(AWAITED)).answer is Answer.AWAITED
    assert ask(condition, NOTHING, view(1.0)).answer is CLEAR


def test_with_two_readings_awaited_counts_before_held_and_held_before_bad() -> None:
    bad = NoNumber(Reason.STALE)
    assert ask(DEVIATION, NOTHING, view(AWAITED, HELD)).answer is Answer.AWAITED
    assert ask(DEVIATION, NOTHING, view(HELD, bad)).answer is Answer.HELD
    assert ask(DEVIATION, NOTHING, view(bad, 1.0)).answer is Answer.BAD


@pytest.mark.parametrize(
    ("condition", "seen", "answer"),
    [
        pytest.param(
            Limit(tag="A", side=Side.HIGH, limit=0.3), view(3 * 0.1), CLEAR, id="three tenths are not above 0.3"
        ),
        pytest.param(
            Limit(tag="A", side=Side.HIGH, limit=0.3, deadband=0.1), view(0.2), CLEAR, id="0.3 less 0.1 is 0.2"
        ),
        pytest.param(
            Limit(tag="A", side=Side.HIGH, limit=0.4, deadband=0.1), view(3 * 0.1), CLEAR, id="clear in spite of noise"
        ),
        pytest.param(
            Limit(tag="A", side=Side.LOW, limit=0.8), view(8 * 0.1 - 1e-16), CLEAR, id="eight tenths are not below 0.8"
        ),
        pytest.param(Limit(tag="A", side=Side.LOW, limit=0.1, deadband=0.2), view(0.3), CLEAR, id="0.1 and 0.2 is 0.3"),
        pytest.param(Deviation(tag="A", other="B", limit=0.1), view(0.3, 0.2), CLEAR, id="0.3 and 0.2 differ by 0.1"),
        pytest.param(Limit(tag="A", side=Side.HIGH, limit=0.3), view(0.300001), IN, id="a real difference counts"),
    ],
)
def test_binary_fractions_decide_nothing(condition: Condition, seen: View, answer: Answer) -> None:
    assert ask(condition, NOTHING, seen).answer is answer


def test_a_reading_clipped_at_an_end_of_its_span_is_beyond_every_limit_inside_it() -> None:
    top = Number(20.0, Quality.UNCERTAIN, Reason.OVER_RANGE)
    bottom = Number(0.0, Quality.UNCERTAIN, Reason.UNDER_RANGE)
    at_the_end = Limit(tag="A", side=Side.HIGH, limit=20.0)
    assert ask(at_the_end, NOTHING, view(top)).answer is IN
    assert ask(at_the_end, NOTHING, view(bottom)).answer is CLEAR
    assert ask(Limit(tag="A", side=Side.LOW, limit=0.0), NOTHING, view(bottom)).answer is IN


def test_a_mismatch_counts_from_its_beginning_and_again_from_a_new_command() -> None:
    first = ask(MISMATCH, NOTHING, view(1.0, 0.0, now_ms=1_000))
    second = ask(MISMATCH, first.memory, view(1.0, 0.0, now_ms=5_000))
    turned = ask(MISMATCH, second.memory, view(2.0, 0.0, now_ms=8_000))
    assert (first.since_ms, second.since_ms, turned.since_ms) == (1_000, 1_000, 8_000)


def test_no_change_counts_from_the_last_movement_and_bad_readings_are_none() -> None:
    still = NoChange(tag="A", band=0.1, after_ms=10_000)
    asked = ask(still, NOTHING, view(1.0, now_ms=0))
    asked = ask(still, asked.memory, view(1.1, now_ms=5_000))  # not more than the band
    asked = ask(still, asked.memory, view(NoNumber(Reason.NO_ANSWER), now_ms=9_999))
    assert asked.answer is CLEAR
    asked = ask(still, asked.memory, view(NoNumber(Reason.NO_ANSWER), now_ms=10_000))
    assert (asked.answer, asked.since_ms) == (IN, 0)
    assert ask(still, asked.memory, view(1.2, now_ms=11_000)).answer is CLEAR


def test_the_command_starts_the_proof_and_a_lost_proof_starts_it_again() -> None:
    commanded = view(0.0, now_ms=1_000, safe_since_ms=900)
    asked = ask(UNPROVEN, NOTHING, commanded)
    assert asked.since_ms == 900
    asked = ask(UNPROVEN, asked.memory, view(1.0, now_ms=13_000, safe_since_ms=900))
    asked = ask(UNPROVEN, asked.memory, view(0.0, now_ms=50_000, safe_since_ms=900))
    assert (asked.answer, asked.since_ms) == (IN, 50_000)
    asked = ask(UNPROVEN, asked.memory, view(0.0, now_ms=60_000, safe_since_ms=58_000))  # given back, and taken again
    assert asked.since_ms == 58_000


ALL_KINDS: tuple[Condition, ...] = (
    HIGH,
    LOW,
    RATE,
    DEVIATION,
    Equals(tag="A"),
    BITS,
    MISMATCH,
    NoChange(tag="A"),
    BadQuality(tag="A"),
    UNPROVEN,
    Tripped(interlock="I"),
    Unwritable(output="product"),
    WrittenOver(output="product"),
    ENDS,
    EXPIRED,
    OVERDUE,
    StateLimit(base=HIGH, others=(OtherLimit(tag="B", equals=1.0, limit=20.0),)),
    TimeBeyond(level=HIGH, more_than_ms=60_000, window_ms=3_600_000),
    Count(tag="A", at_least=3, window_ms=3_600_000),
    Count(tag="A", at_least=3, window_ms=3_600_000, becomes=1.0),
    Count(tag="A", at_least=3, window_ms=3_600_000, level=LOW),
)


def test_these_are_all_kinds_there_are() -> None:
    assert {type(one) for one in ALL_KINDS} == set(Condition.__args__)


@pytest.mark.parametrize("condition", ALL_KINDS)
@pytest.mark.parametrize(
    "verdict",
    [Number(1.0), NoNumber(Reason.STALE), Text("V2"), HELD, AWAITED],
    ids=["number", "none", "text", "held", "awaited"],
)
def test_every_kind_is_answered_and_told_for_every_verdict(condition: Condition, verdict: Verdict) -> None:
    seen = view(verdict, verdict, safe_since_ms=90_000)
    assert ask(condition, Memory(), seen).answer in Answer
    facts = evidence(condition, seen, {})
    assert facts["kind"]
    assert all(isinstance(fact, str | int | float | bool) for fact in facts.values())
    assert ("value" in facts) is (bool(tags_of(condition)) and isinstance(verdict, Number))


def test_the_evidence_has_value_unit_limit_and_words() -> None:
    rules = {"A": TagRule(tag="A", unit="NTU", service="turbidity")}
    assert evidence(HIGH, view(12.0), rules) == {
        "tag": "A",
        "service": "turbidity",
        "value": 12.0,
        "unit": "NTU",
        "quality": "good",
        "quality_reason": "ok",
        "kind": "above",
        "limit": 10.0,
        "deadband": 0.5,
    }
    assert evidence(BadQuality(tag="A"), view(NoNumber(Reason.FROZEN)), rules)["quality_reason"] == "frozen"


@pytest.mark.parametrize(
    ("value", "says"),
    [
        (69.60000000000001, 69.6),
        (99.2230769765, 99.2231),
        (-0.30000000000000004, -0.3),
        (1.5000000596046448e-05, 1.5e-05),
        (123_456.789, 123_457.0),
        (4_294_967_295.0, 4_294_967_295.0),
        (1_234_567.89, 1_234_568.0),
        (0.0, 0.0),
    ],
)
def test_a_number_is_told_without_the_dust_of_binary_fractions(value: float, says: float) -> None:
    facts = evidence(Limit(tag="A", side=Side.HIGH, limit=value, deadband=value), view(value), {})
    assert (facts["value"], facts["limit"], facts["deadband"]) == (says, says, says)


def test_what_is_compared_is_not_what_is_told() -> None:
    just_above = Limit(tag="A", side=Side.HIGH, limit=69.6, deadband=0.0)
    assert evidence(just_above, view(69.600001), {})["value"] == 69.6
    assert ask(just_above, NOTHING, view(69.600001)).answer is IN
    assert ask(just_above, NOTHING, view(69.6)).answer is not IN


def test_the_evidence_of_a_bad_quality_names_the_reasons_that_count() -> None:
    condition = BadQuality(tag="A", except_for=frozenset({Reason.STALE, Reason.NO_ANSWER}))
    facts = evidence(condition, view(NoNumber(Reason.FROZEN)), {})
    assert facts["except_for"] == "no_answer, stale"
    assert "because" not in facts


STATE = TagRule(tag="A", states={0: "off", 3: "divert"})
WORD = TagRule(tag="A", bit_names={0: "overload A", 2: "seal B", 63: "never"})


@pytest.mark.parametrize(
    ("rule", "value", "words"),
    [
        (STATE, 3.0, "divert (3)"),
        (STATE, 0.0, "off (0)"),
        (STATE, 7.0, "unknown (7)"),  # the driver hands out no such number; a calculation might
        (WORD, 5.0, "overload A, seal B"),
        (WORD, 6.0, "bit 1, seal B"),
        (WORD, 0.0, "none"),
    ],
)
def test_states_and_bits_are_told_in_words(rule: TagRule, value: float, words: str) -> None:
    assert in_words(rule, Number(value)) == words
    assert evidence(BITS, view(value), {"A": rule})["in_words"] == words


def test_a_plain_number_has_no_words_and_a_rounded_one_no_bits() -> None:
    assert in_words(TagRule(tag="A"), Number(3.0)) == ""
    assert in_words(WORD, Number(2.0**60, Quality.UNCERTAIN, Reason.ROUNDED)) == ""
    assert "in_words" not in evidence(BITS, view(5.0), {"A": TagRule(tag="A")})


def test_a_text_is_told_as_it_is() -> None:
    facts = evidence(Equals(tag="A"), view(Text("FS-501 V2")), {})
    assert (facts["text"], facts["quality"]) == ("FS-501 V2", "good")


NEAR = st.sampled_from([9.5, 10.0, 2.0, 2.2, 5.0, 0.0, 1e10, 1e10 - 5.0]).flatmap(
    lambda limit: st.sampled_from([0.0, 1e-12, 1e-9, 1e-8, 1e-6, 0.1, 5.0]).map(lambda off: limit + off)
)
READINGS = st.one_of(
    NEAR.map(Number),
    NEAR.map(lambda value: Number(value, Quality.UNCERTAIN, Reason.OVER_RANGE)),
    NEAR.map(lambda value: Number(value, Quality.UNCERTAIN, Reason.ROUNDED)),
    st.sampled_from([NoNumber(Reason.STALE), Text("words"), HELD, AWAITED]),
)


LOOKED_AT = (
    *(HIGH, LOW, BITS, DEVIATION, RATE, Equals(tag="A", value=5.0), BadQuality(tag="A")),
    *(Limit(tag="A", side=side, limit=1e10, deadband=5.0) for side in Side),  # where a float has no millionths
)


@given(condition=st.sampled_from(LOOKED_AT), a=READINGS, b=READINGS)
def test_where_a_look_answers_it_is_the_answer(condition: Condition, a: Verdict, b: Verdict) -> None:
    answer = look_of(condition)(view(a, b))
    assert answer in (None, ask(condition, NOTHING, view(a, b)).answer)
