"""A machine that cannot keep the pace of a demo is told so; one that can is not."""

from simulator.demo import kept_pace


def test_a_stall_that_shows_in_the_plant_is_told_with_a_kinder_rate() -> None:
    said = kept_pace(0.25, 40)
    assert "stood still for up to 0.25 s, which are 10 plant seconds" in said
    assert said.endswith("try RATE=20.")


def test_a_stall_that_no_reading_notices_is_not_told() -> None:
    assert not kept_pace(0.1, 40)
