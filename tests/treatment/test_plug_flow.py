"""The age of the water now leaving: against an account of every litre, and where it is not known."""

from collections.abc import Sequence

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gateway.treatment.plug_flow import MOST_MARKS, PIECES, UNKNOWN, Age, PlugFlow, advance, age

VOLUME_M3 = 3.15
FLOWS = st.lists(
    st.tuples(st.sampled_from([0.0, 0.2, 0.5, 1.0, 2.0]), st.integers(1, 300)), min_size=1, max_size=60
)  # m3/h, for so many steps of 10 s


def followed(flows_m3_h: Sequence[float], volume_m3: float = VOLUME_M3) -> PlugFlow:
    state = UNKNOWN
    for flow in flows_m3_h:
        state = advance(state, flow / 3_600, elapsed_ms=10_000, volume_m3=volume_m3)
    return state


def by_every_litre(flows_m3_h: Sequence[float], volume_m3: float) -> float:
    """Backwards over all that came in, until the tank is displaced; as far as the account reaches."""
    left, lasting_s = volume_m3, 0.0
    for flow in reversed(flows_m3_h[:-1]):
        came = flow / 360
        if came >= left:
            return lasting_s + left / came * 10
        left, lasting_s = left - came, lasting_s + 10
    return lasting_s


@settings(max_examples=30, deadline=None)
@given(FLOWS)
def test_the_age_is_that_of_an_account_of_every_litre_but_for_one_piece_of_the_volume(
    spells: list[tuple[float, int]],
) -> None:
    flows = [flow for flow, steps in spells for _ in range(steps)]
    found = age(followed(flows), volume_m3=VOLUME_M3)
    piece_m3 = VOLUME_M3 / PIECES + max(flows) / 360  # a piece ends with a reading
    least, most = (by_every_litre(flows, VOLUME_M3 + off) for off in (-piece_m3, piece_m3))
    assert least - 1e-6 <= found.lasting_s <= most + 1e-6


@settings(max_examples=20, deadline=None)
@given(st.floats(0.2, 2.0), st.floats(0.2, 2.0), st.integers(200, 400))
def test_without_a_stop_it_is_sharper_than_a_piece(first: float, then: float, steps: int) -> None:
    flows = [first] * 2_000 + [then] * steps
    expected = by_every_litre(flows, VOLUME_M3)
    one_piece_s = VOLUME_M3 / PIECES / (min(first, then) / 3_600) + 10
    assert abs(age(followed(flows), volume_m3=VOLUME_M3).lasting_s - expected) <= one_piece_s


def test_under_even_flow_it_is_volume_over_flow() -> None:
    state = followed([2.1] * 1_000)
    assert age(state, volume_m3=VOLUME_M3).lasting_s == pytest.approx(90 * 60)
    assert len(state.marks) <= PIECES + 2


def test_water_that_stood_through_a_stop_is_as_old_as_it_is() -> None:
    run = followed([2.1] * 1_000)
    state = run
    for _ in range(360):  # an hour
        state = advance(state, 0.0, elapsed_ms=10_000, volume_m3=VOLUME_M3)
    stood = age(state, volume_m3=VOLUME_M3)
    assert stood.whole
    assert stood.lasting_s == pytest.approx(150 * 60, abs=30)


def test_after_a_time_of_unknown_flow_the_age_is_the_least_it_can_be() -> None:
    state = advance(followed([2.1] * 1_000), None, elapsed_ms=10_000, volume_m3=VOLUME_M3)
    assert state == UNKNOWN
    state = advance(state, 2.1 / 3_600, elapsed_ms=10_000, volume_m3=VOLUME_M3)
    state = advance(state, 2.1 / 3_600, elapsed_ms=60_000, volume_m3=VOLUME_M3)
    assert age(state, volume_m3=VOLUME_M3) == Age(lasting_s=60.0, whole=False)


def test_it_remembers_no_more_however_often_the_flow_stops() -> None:
    state = followed([2.1 if step % 2 else 0.0 for step in range(4_000)])
    assert len(state.marks) <= MOST_MARKS + PIECES
