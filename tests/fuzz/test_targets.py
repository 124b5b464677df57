"""Whatever comes in from outside, it is taken or refused by name: no crash, no hang."""

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tests.fuzz.targets import TARGETS

EDITS = st.lists(st.tuples(st.integers(0, 1 << 16), st.sampled_from("xic"), st.binary(max_size=6)), max_size=5)


def spoilt(octets: bytes, edits: list[tuple[int, str, bytes]]) -> bytes:
    """Octets replaced (x), put in between (i), or cut out (c)."""
    made = bytearray(octets)
    for where, kind, given_octets in edits:
        at = where % (len(made) + 1)
        end = at if kind == "i" else at + len(given_octets)
        made[at:end] = b"" if kind == "c" else given_octets
    return bytes(made)


@pytest.mark.parametrize("name", sorted(TARGETS))
def test_what_is_in_order_is_taken_and_what_is_spoilt_is_refused_by_name(name: str) -> None:
    target = TARGETS[name]
    for seed in target.seeds:
        target.takes(seed)

    @settings(deadline=None, max_examples=target.tries, suppress_health_check=[HealthCheck.too_slow])
    @given(seed=st.sampled_from(target.seeds), edits=EDITS)
    def spoilt_ones_too(seed: bytes, edits: list[tuple[int, str, bytes]]) -> None:
        target.takes(spoilt(seed, edits))

    spoilt_ones_too()


@pytest.mark.parametrize("name", sorted(set(TARGETS) - {"configuration"}))
def test_octets_of_no_meaning_are_refused_by_name(name: str) -> None:
    target = TARGETS[name]

    @settings(deadline=None, max_examples=100)
    @given(octets=st.binary(max_size=300))
    def any_octets(octets: bytes) -> None:
        target.takes(octets)

    any_octets()
