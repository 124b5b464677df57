"""A device whose registers are not what they were: refused as a whole, alarmed once, trusted again when it reads right.

E14 of the demo's scenario: a turbidity controller is replaced, and the new one sends its floats high word first. Its
registers are decoded as the site declares them (CDAB); the constant then reads wrong, and so does everything else,
some of it plausibly.
"""

from dataclasses import replace

import pytest

from gateway.core.alarm import AlarmRule
from gateway.core.condition import BadQuality
from gateway.core.outcome import EventKind
from gateway.core.quality import Reason
from gateway.core.sample import NoNumber, Number, Reading
from gateway.core.scaling import Scaling, to_reading
from gateway.core.validity import AWAITED, TagRule, TestConstant
from gateway.drivers.modbus.codec import Encoding, Order, decode, encode
from tests.core.plants import BAD_BOUND_MS, PLANT, STALE_MS, Bench

CONSTANT = TestConstant(tag="AN1-TST", value=12_345.678, tolerance=0.001)
AN1 = ("AN1-TST", "FLOW-510", "STS-510", "TURB")
SCALINGS = {"TURB": Scaling(range_low=0.0, range_high=20.0, clips_at_top=True), "FLOW-510": Scaling()}
CHANGED = AlarmRule(id="ORDER-CHANGED", condition=BadQuality(tag="AN1-TST", because=frozenset({Reason.WRONG_CONSTANT})))
SILENT = AlarmRule(id="AN1-SILENT", condition=BadQuality(tag="AN1-TST", except_for=frozenset({Reason.WRONG_CONSTANT})))


def bench() -> Bench:
    tags = (
        TagRule(tag="AN1-TST", stale_after_ms=STALE_MS, constant=CONSTANT),
        *(replace(rule, constant=CONSTANT) if rule.tag in AN1 else rule for rule in PLANT.tags),
    )
    made = Bench(replace(PLANT, tags=tags, alarms=(*PLANT.alarms, CHANGED, SILENT)))
    sends(made, "CDAB")
    return made


def sends(made: Bench, order: Order, turbidity: float = 0.5) -> None:
    """What the unit sends in this order, as a site that declares CDAB reads it."""

    def as_read(value: float) -> float | int | str:
        return decode(encode(value, Encoding("float32", order)), Encoding("float32", "CDAB"))

    made.reads["AN1-TST"] = to_reading(as_read(12_345.678), Scaling())
    made.reads["TURB"] = to_reading(as_read(turbidity), SCALINGS["TURB"])
    made.reads["FLOW-510"] = to_reading(as_read(1.0), SCALINGS["FLOW-510"])
    made.reads["STS-510"] = Number(0.0)  # one register, the same in both orders


def verdicts(made: Bench) -> set[object]:
    return {made.outcome.verdicts[tag] for tag in AN1}


@pytest.mark.parametrize("turbidity", [0.5, 0.7183, 19.0, 1e-3])
def test_a_device_that_sends_another_order_is_refused_with_all_its_tags(turbidity: float) -> None:
    made = bench()
    made.deliver()
    sends(made, "ABCD", turbidity)
    events = made.run(1)
    assert verdicts(made) == {NoNumber(Reason.WRONG_CONSTANT)}
    assert [one.subject for one in events if one.kind is EventKind.ALARM and "AN1" in str(one.facts)] == [
        "ORDER-CHANGED"
    ]
    made.run(BAD_BOUND_MS // 1_000)
    assert made.found(EventKind.TRIP, "I-TURB-BAD")
    assert made.level("product") == "withdrawn"
    assert made.outcome.verdicts["CHLORINE"] == Number(5.0)  # another device's


def test_what_it_sends_is_trusted_again_once_the_constant_reads_right() -> None:
    made = bench()
    made.deliver()
    sends(made, "ABCD")
    made.run(3)
    sends(made, "CDAB")
    made.run(1)
    assert made.outcome.verdicts["AN1-TST"] == made.reads["AN1-TST"]
    assert made.outcome.verdicts["STS-510"] == Number(0.0)
    made.run(12)  # the sample flow was unknown meanwhile; the tap is purged where that lasted
    assert made.outcome.verdicts["TURB"] == Number(0.5)


def test_a_device_that_does_not_answer_is_no_device_that_changed() -> None:
    made = bench()
    made.deliver()
    for tag in AN1:
        made.reads[tag] = NoNumber(Reason.NO_ANSWER)
    made.run(2)
    assert verdicts(made) == {NoNumber(Reason.NO_ANSWER)}
    assert not made.found(EventKind.ALARM, "ORDER-CHANGED")
    assert made.found(EventKind.ALARM, "AN1-SILENT")


def test_nothing_of_the_device_is_believed_before_its_constant_has_been_read() -> None:
    made = bench()
    reading: Reading = made.reads.pop("AN1-TST")
    made.run(2)
    assert verdicts(made) == {AWAITED}
    made.reads["AN1-TST"] = reading
    made.run(1)
    assert made.outcome.verdicts["TURB"] == Number(0.5)
