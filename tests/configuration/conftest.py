"""A copy of a site that a test may spoil."""

import shutil
from pathlib import Path

import pytest

MARROWFELL = Path(__file__).resolve().parents[2] / "config" / "marrowfell"
FOUR_DEVICES = Path(__file__).resolve().parent / "four_devices"
"""A part of the demo site that stays as it is, because tests name its lines."""


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    copy = tmp_path / "marrowfell"
    shutil.copytree(FOUR_DEVICES, copy)
    for path in copy.glob("*.yaml"):
        path.chmod(0o644)
    copy.chmod(0o755)
    return copy
