"""What a site says about entries: bands in the unit of their tag, and the rules the scan gets."""

from pathlib import Path

import pytest

from gateway.configuration.plant import load_site, plant_of
from gateway.configuration.rules.entries import bands
from gateway.configuration.schema import Entries, InstrumentCheck

MARROWFELL = Path(__file__).parents[2] / "config" / "marrowfell"


@pytest.mark.parametrize(
    ("band", "found"),
    [("0.1 mg/L or 15 %", ""), ("10 %", ""), ("0.1 NTU", "a band in NTU"), ("narrow", "'narrow'")],
)
def test_a_band_is_in_the_unit_of_its_tag_or_in_per_cent(band: str, found: str) -> None:
    entries = Entries(checks={"AIT-801": InstrumentCheck(band=band)})
    site = load_site(MARROWFELL).site.model_copy(update={"entries": entries})
    assert [one.found for one in bands(site)] == ([found] if found else [])


def test_the_scan_gets_what_the_site_says() -> None:
    site = load_site(MARROWFELL).site
    assert site.holds is not None
    entries = Entries(
        roles=("VISITOR-OP",),
        laboratory={"bod": "mg/L"},
        checks={"AIT-801": InstrumentCheck(band="5 %", every_d=2, grab_quantity="total_chlorine_mg_l")},
        gap_codes={"power": "no power"},
    )
    holds = site.holds.model_copy(update={"needs_entry": True})
    plant = plant_of(site.model_copy(update={"entries": entries, "holds": holds}))
    check = plant.entries.checks["AIT-801"]
    assert (check.band.relative, check.every_ms, check.grab_quantity) == (0.05, 172_800_000, "total_chlorine_mg_l")
    assert (plant.entries.roles, plant.holds.needs_entry) == (frozenset({"VISITOR-OP"}), True)
    assert (plant.entries.laboratory, plant.entries.gap_codes) == ({"bod": "mg/L"}, {"power": "no power"})
