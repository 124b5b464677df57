"""A copy of the demo site that a test may spoil."""

import shutil
from pathlib import Path

import pytest

MARROWFELL = Path(__file__).resolve().parents[2] / "config" / "marrowfell"


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    copy = tmp_path / "marrowfell"
    shutil.copytree(MARROWFELL, copy, ignore=shutil.ignore_patterns("record"))
    for path in copy.glob("*.yaml"):
        path.chmod(0o644)
    copy.chmod(0o755)
    return copy
