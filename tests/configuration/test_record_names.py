"""What the operating record is made of must be there: every unknown name is told at its place."""

import shutil
from pathlib import Path

import pytest

from gateway.configuration.fault import Refused
from gateway.configuration.plant import load_site
from simulator.site import DEMO_SITE


def test_every_unknown_name_of_the_record_is_told_with_its_line(tmp_path: Path) -> None:
    folder = Path(shutil.copytree(DEMO_SITE, tmp_path / "site"))
    file = folder / "record.yaml"
    text = file.read_text(encoding="utf-8")
    for good, bad in (
        ("tag: FIT-201", "tag: FIT-2O1"),
        ("level: LIT-810", "level: LIT-81O"),
        ("grab: turb", "grab: torb"),
    ):
        assert good in text
        text = text.replace(good, bad)
    file.write_text(text, encoding="utf-8")
    with pytest.raises(Refused) as refused:
        load_site(folder)
    told = str(refused.value)
    assert all(name in told for name in ("FIT-2O1", "LIT-81O", "torbidity_ntu", "record.yaml:"))
