"""Whom the site's record waits for before readings may go."""

import shutil
from pathlib import Path

import pytest

from gateway.assembly.field_process import _keeping
from gateway.configuration.plant import LoadedSite, load_site

MARROWFELL = Path(__file__).parents[2] / "config" / "marrowfell"
INFLUX = "  influx: {url: 'http://127.0.0.1:8428', bucket: plant, read_back: null}\n"


def site_with(folder: Path, *, mqtt: bool, influx: bool) -> LoadedSite:
    site = folder / "site"
    shutil.copytree(MARROWFELL, site)
    before, _, broker = (site / "place.yaml").read_text(encoding="utf-8").partition("uplink:\n")
    sections = (INFLUX if influx else "") + (broker if mqtt else "")
    (site / "place.yaml").write_text(before + (f"uplink:\n{sections}" if sections else ""), encoding="utf-8")
    return load_site(site)


@pytest.mark.parametrize(
    ("mqtt", "influx", "readers"),
    [(True, False, ("mqtt",)), (False, True, ("influx",)), (True, True, ("mqtt", "influx")), (False, False, ())],
)
def test_readings_stay_until_each_configured_receiver_has_them(
    tmp_path: Path, *, mqtt: bool, influx: bool, readers: tuple[str, ...]
) -> None:
    assert _keeping(site_with(tmp_path, mqtt=mqtt, influx=influx)).readers == readers
