"""What a commissioning is bound to: everything that says what is written where, and nothing else."""

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from gateway.configuration.commissioning import commissioning_rule
from gateway.configuration.reading import read_site
from gateway.configuration.schema import Site

MARROWFELL = read_site(Path(__file__).parents[2] / "config" / "marrowfell")
Change = Callable[[dict[str, Any]], None]


def set_in(*path: str, to: Any) -> Change:
    def change(site: dict[str, Any]) -> None:
        for key in path[:-1]:
            site = site[key]
        assert site[path[-1]] != to
        site[path[-1]] = to

    return change


def fingerprint_after(change: Change) -> str:
    keys = MARROWFELL.model_dump(by_alias=True)
    change(keys)
    rule = commissioning_rule(Site.model_validate(keys))
    assert rule is not None
    return rule.fingerprint


BEFORE = fingerprint_after(lambda _: None)


@pytest.mark.parametrize(
    "change",
    [
        pytest.param(set_in("outputs", "product", "levels", "permitted", to=7), id="another code"),
        pytest.param(set_in("outputs", "feed", "permit", to=True), id="a stop becomes a permission"),
        pytest.param(set_in("outputs", "feed", "resume_s", to=99.0), id="a longer resume"),
        pytest.param(set_in("output_block", "period_s", to=4.0), id="another period"),
        pytest.param(set_in("tags", "GW-PERMIT", "address", to=330), id="another register"),
        pytest.param(set_in("devices", "PC1", "unit_id", to=9), id="another unit"),
        pytest.param(set_in("connections", "PC1", "host", to="127.0.0.9"), id="another host"),
        pytest.param(set_in("connections", "PC1", "port", to=1502), id="another port"),
    ],
)
def test_it_lapses_with_what_is_written_where(change: Change) -> None:
    assert fingerprint_after(change) != BEFORE


@pytest.mark.parametrize(
    "change",
    [
        pytest.param(set_in("outputs", "product", "service", to="other words"), id="words of an output"),
        pytest.param(set_in("outputs", "product", "stroke_s", to=20.0), id="the stroke of an output"),
        pytest.param(set_in("outputs", "product", "peak_m3_h", to=3.0), id="the peak flow of an output"),
        pytest.param(set_in("output_block", "commissioning_roles", to=("VISITOR-OP",)), id="roles"),
        pytest.param(set_in("tags", "GW-PERMIT", "service", to="other words"), id="words of a register"),
        pytest.param(set_in("tags", "AIT-510", "poll_interval_s", to=4.0), id="a tag that is only read"),
        pytest.param(set_in("connections", "PC1", "reply_timeout_s", to=0.7), id="a time-out"),
        pytest.param(set_in("interlocks", "I-01", "service", to="other words"), id="an interlock"),
    ],
)
def test_it_does_not_lapse_with_anything_else(change: Change) -> None:
    assert fingerprint_after(change) == BEFORE


def test_a_site_without_an_output_block_has_nothing_to_commission() -> None:
    keys = MARROWFELL.model_dump(by_alias=True)
    keys |= {"output_block": None, "outputs": {}, "releases": {}}
    assert commissioning_rule(Site.model_validate(keys)) is None
