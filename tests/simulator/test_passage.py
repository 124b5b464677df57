"""Plug flow: what goes in comes out, in order and whole."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from simulator import passage
from simulator.passage import Parcel

POURED = st.lists(st.tuples(st.floats(1e-5, 0.01), st.booleans()), max_size=60)


@given(POURED)
def test_every_marked_litre_that_goes_in_comes_out(poured: list[tuple[float, bool]]) -> None:
    pipe = passage.filled(0.05, value=0.0, grain_m3=0.002)
    marked_in = sum(volume for volume, marked in poured if marked)
    out: list[Parcel] = []
    for volume, marked in poured:
        pipe, came = passage.push(pipe, Parcel(volume, 1.0, marked))
        assert sum(parcel.volume_m3 for parcel in came) == pytest.approx(volume, abs=1e-9)
        out += came
    for _ in range(10):
        pipe, came = passage.push(pipe, Parcel(0.01, 0.0))
        out += came
    assert sum(parcel.volume_m3 for parcel in out if parcel.marked) == pytest.approx(marked_in, abs=1e-9)


def test_water_comes_out_after_the_volume_of_the_pipe_and_not_before() -> None:
    pipe = passage.filled(1.0, value=0.5, grain_m3=0.005)
    pipe, _ = passage.push(pipe, Parcel(0.1, 12.0, marked=True))
    pipe, came = passage.push(pipe, Parcel(0.899, 0.5))
    assert not any(parcel.marked for parcel in came)
    assert pipe.outlet.marked is False
    pipe, came = passage.push(pipe, Parcel(0.101, 0.5))
    assert sum(parcel.volume_m3 for parcel in came if parcel.marked) == pytest.approx(0.1)


def test_nothing_moves_while_nothing_flows() -> None:
    pipe = passage.filled(1.0, value=0.5, grain_m3=0.005)
    assert passage.push(pipe, Parcel(0.0, 12.0, marked=True)) == (pipe, ())
