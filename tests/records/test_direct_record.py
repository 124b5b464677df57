"""A run of the direct gear leaves a record like that of a running site, and the commands read it."""

import csv
import shutil
from dataclasses import replace
from pathlib import Path

import pytest
from click.testing import CliRunner

from gateway.cli import main
from gateway.configuration.plant import load_site
from simulator.almanac import SECOND_MS
from simulator.direct import DirectRun
from simulator.events import EVENTS
from simulator.site import DEMO_SITE

LEAD_MS, LASTS_MS = 120_000, 900_000


def recorded(event: str, folder: Path, day: str) -> dict[str, str]:
    """Keys to figures, as printed, of the record of a short run."""
    site = Path(shutil.copytree(DEMO_SITE, folder / "site"))
    run = DirectRun(load_site(site), replace(EVENTS[event], lead_ms=LEAD_MS), scan_ms=5 * SECOND_MS, recorded=True)
    run.run_to(run.plant.started_ms + LASTS_MS)
    run.close()
    file = folder / "day.csv"
    asked = ["record", "day", day, "--site", str(site), "--as", "csv", "--output", str(file)]
    result = CliRunner().invoke(main, asked)
    assert result.exit_code == 0, result.output
    rows = list(csv.DictReader(file.read_text(encoding="utf-8").splitlines()))
    return {row["key"].removeprefix(f"{day}/"): row["text"] for row in rows if row["key"]}


def test_cloudy_water_stands_in_the_record_as_an_exceedance_of_which_nothing_was_delivered(tmp_path: Path) -> None:
    found = recorded("E01", tmp_path, "2025-02-26")
    assert found["verdict/turbidity-max"] == "NOT kept"
    assert 12.0 < float(found["turbidity-max/26"]) < 13.5
    assert float(found["turbidity-above-5-min/26"]) == pytest.approx(12.5, abs=1.0)
    assert (found["exceeded-delivered-min/1"], found["turbidity-delivered-above-10-min/26"]) == ("0.0", "0.0")


def test_the_standards_of_a_calibration_appear_nowhere_in_a_record(tmp_path: Path) -> None:
    found = recorded("E10", tmp_path, "2025-02-06")
    assert float(found["turbidity-max/6"]) < 2.0
    assert float(found["turbidity-held-min/6"]) == pytest.approx(14.0, abs=0.2)
    assert found["turbidity-mean/6"].startswith("insufficient data")
