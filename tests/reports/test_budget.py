"""The response budget: the arithmetic of the race, what would help, and what the demo site shows."""

import csv
from io import StringIO

import pytest
from click.testing import CliRunner

from gateway.cli import main
from gateway.configuration.plant import LoadedSite, load_site
from gateway.configuration.schema import Site
from gateway.reports.budget import Budget, Race, budgets, remedies, stretches
from gateway.reports.budget_csv import budget_csv
from gateway.reports.budget_text import budget_text
from simulator.site import DEMO_SITE


@pytest.fixture(scope="module")
def loaded() -> LoadedSite:
    return load_site(DEMO_SITE)


def row_of(site: Site, interlock: str) -> Budget:
    return next(row for row in budgets(site) if row.response.interlock == interlock)


def with_keys(loaded: LoadedSite, interlock: str, **exposure: float) -> Site:
    """The site with another way for the water."""
    one = loaded.site.interlocks[interlock]
    assert one.exposure is not None
    changed = one.model_copy(update={"exposure": one.exposure.model_copy(update=exposure)})
    return loaded.site.model_copy(update={"interlocks": {**loaded.site.interlocks, interlock: changed}})


def test_the_outlet_trip_of_the_demo_passes_142_litres_and_the_trips_further_up_none(loaded: LoadedSite) -> None:
    """40 + 90 + 5 + 120 + 12 s at 2.0 m3/h less 6 L make 142 L; reply, scan and write are 2.5 s and 1.4 L more."""
    outlet = row_of(loaded.site, "I-02")
    assert outlet.race is Race.TOO_LATE
    assert outlet.response.safe_s == pytest.approx(40 + 90 + 5 + 120 + 12 + 2.5)
    assert outlet.water_s == pytest.approx(10.8)
    assert outlet.passes_l == pytest.approx(142.3 + 1.4, abs=0.1)
    for further_up in ("I-01", "I-04", "I-07"):
        row = row_of(loaded.site, further_up)
        assert (row.race, row.passes_l) == (Race.FIRST, 0.0)
    assert "I-07" in outlet.beaten_by
    assert row_of(loaded.site, "I-09").race is Race.NONE


def test_at_lower_flows_less_passes(loaded: LoadedSite) -> None:
    """The scenario's other figures: 105 L at 1.5 m3/h and 53 L at 0.8; each with 2.5 s more, as above."""
    for peak, litres in ((1.5, 105.25), (0.8, 53.3)):
        product = loaded.site.outputs["product"].model_copy(update={"peak_m3_h": peak})
        site = loaded.site.model_copy(update={"outputs": {**loaded.site.outputs, "product": product}})
        row = row_of(site, "I-02")
        assert row.passes_l == pytest.approx(litres + 2.5 * peak / 3.6, abs=0.1)


def test_without_a_peak_flow_of_the_output_the_range_of_the_flow_counts(loaded: LoadedSite) -> None:
    product = loaded.site.outputs["product"].model_copy(update={"peak_m3_h": None})
    site = loaded.site.model_copy(update={"outputs": {**loaded.site.outputs, "product": product}})
    assert row_of(site, "I-02").response.peak_m3_h == 3.0


@pytest.mark.parametrize(
    ("spare", "race"), [(0.99, Race.TOO_LATE), (1.01, Race.TIGHT), (1.99, Race.TIGHT), (2.01, Race.FIRST)]
)
def test_a_rule_should_need_no_more_than_half_of_the_waters_time(loaded: LoadedSite, spare: float, race: Race) -> None:
    needs_l = row_of(loaded.site, "I-02").response.safe_s * 2_000 / 3_600
    row = row_of(with_keys(loaded, "I-02", volume_l=needs_l * spare, pipe_l=0.0), "I-02")
    assert row.race is race
    assert (row.passes_l == 0) is (race is not Race.TOO_LATE)


def test_what_would_help_is_told_largest_first_and_only_to_a_rule_that_is_too_late(loaded: LoadedSite) -> None:
    told = list(remedies(row_of(loaded.site, "I-02")))
    assert told[0].startswith("a rule further up")
    assert "I-07" in told[0]
    assert told[1].startswith("a tap further up: 150 L before the output would just do")
    assert [text.split(" of ")[0] for text in told[2:-1]] == [
        "delay",
        "T90",
        "sample line",
        "stroke",
        "poll",
    ]
    assert "saves at most 67 L" in told[2]
    assert told[-1] == "none of the last by itself is enough"
    assert list(remedies(row_of(loaded.site, "I-01"))) == []
    assert list(remedies(row_of(loaded.site, "I-09"))) == []


def test_a_tap_as_far_up_as_the_remedy_says_just_wins(loaded: LoadedSite) -> None:
    row = row_of(loaded.site, "I-02")
    enough_l = row.response.safe_s * 2_000 / 3_600
    assert row_of(with_keys(loaded, "I-02", volume_l=enough_l, pipe_l=0.0), "I-02").passes_l == pytest.approx(
        0, abs=1e-9
    )


def test_a_lost_value_is_seen_without_the_sample_line(loaded: LoadedSite) -> None:
    assert (row_of(loaded.site, "I-06").response.line_s, row_of(loaded.site, "I-06").response.t90_s) == (0.0, 0.0)
    lost = [row for row in budgets(loaded.site) if "no usable value" in row.response.watches]
    assert lost
    assert {(row.response.line_s, row.response.t90_s) for row in lost} == {(0.0, 0.0)}


def test_the_parts_are_all_of_it(loaded: LoadedSite) -> None:
    for row in budgets(loaded.site):
        assert sum(part.lasts_s for part in stretches(row.response)) == pytest.approx(row.response.safe_s)


def test_a_slower_instrument_is_a_longer_way(loaded: LoadedSite) -> None:
    tag = loaded.site.tags["AIT-801"].model_copy(update={"t90_s": 190.0})
    site = loaded.site.model_copy(update={"tags": {**loaded.site.tags, "AIT-801": tag}})
    before, after = row_of(loaded.site, "I-02"), row_of(site, "I-02")
    assert after.response.safe_s == before.response.safe_s + 100
    assert (after.passes_l or 0) - (before.passes_l or 0) == pytest.approx(100 / 1.8)


def test_the_table_for_a_spreadsheet_has_a_line_for_every_way_to_trip(loaded: LoadedSite) -> None:
    rows = list(csv.DictReader(StringIO(budget_csv(budgets(loaded.site)))))
    assert len(rows) == len(budgets(loaded.site))
    outlet = next(row for row in rows if row["interlock"] == "I-02")
    assert (outlet["sample_line_s"], outlet["t90_s"], outlet["delay_s"], outlet["stroke_s"]) == (
        "40.0",
        "90.0",
        "120.0",
        "12.0",
    )
    assert (outlet["peak_m3_h"], outlet["held_l"], outlet["race"]) == ("2.0", "6.0", "too late")
    assert outlet["would_help"].startswith("a rule further up")
    tank = next(row for row in rows if row["interlock"] == "I-13")
    assert (tank["water_s"], tank["held_l"], tank["passes_l"], tank["race"]) == ("", "", "", "no water")


def test_the_text_names_what_cannot_win() -> None:
    result = CliRunner().invoke(main, ["budget", str(DEMO_SITE)])
    assert result.exit_code == 0
    named = [line.split(" ")[0] for line in result.output.splitlines() if "L pass at 2 m3/h. What would help:" in line]
    assert named == ["I-02", "I-03", "I-03", "I-06"]
    assert "Supervisory only" in result.output


def test_a_site_without_interlocks_says_so() -> None:
    assert "No interlock is declared." in budget_text("Nowhere", [])
    assert budget_csv([]).count("\n") == 1
