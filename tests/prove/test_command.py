"""The command itself, with its processes, on the demo site for a short time."""

import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]


def prove(site: Path, *options: str) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "gateway", "prove", str(site), *options]
    return subprocess.run(command, cwd=ROOT, capture_output=True, text=True, timeout=100, check=False)


@pytest.mark.timeout(110)
def test_the_demo_site_gives_a_certificate_that_says_how_far_it_came() -> None:
    done = prove(ROOT / "config" / "marrowfell", "--seconds", "12")
    assert done.returncode == 0, done.stdout + done.stderr
    assert "states" in done.stdout
    assert "transitions" in done.stdout
    assert "\nAssumed:\n" in done.stdout
    assert "\nNot tried:\n" in done.stdout


def test_a_refused_site_ends_with_three_and_its_faults(tmp_path: Path) -> None:
    (tmp_path / "site.yaml").write_text("site: {id: X}\n", encoding="utf-8")
    done = prove(tmp_path)
    assert done.returncode == 3
    assert "site.yaml" in done.stdout + done.stderr
    assert "Traceback" not in done.stdout + done.stderr
