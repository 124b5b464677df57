"""``python -m tests.fuzz [TARGET ...] [--seconds N]``: each target under a coverage-guided fuzzer (``make fuzz``).

A target runs in a process of its own, since the fuzzer ends its process. What
ends a target is left in ``fuzz-found/TARGET/`` for a failing test. An input
that takes longer than ten seconds counts as a hang.
"""

import argparse
import subprocess
import sys
from pathlib import Path

from tests.fuzz.targets import TARGETS

HANGS_AFTER_S = 10
MEMORY_MB = 2_048
FOUND = Path("fuzz-found")


def fuzzed(name: str, seconds: int) -> int:
    """Run one target; the exit code of the fuzzer, 0 when nothing was found."""
    folder = FOUND / name
    corpus = folder / "corpus"
    corpus.mkdir(parents=True, exist_ok=True)
    for number, seed in enumerate(TARGETS[name].seeds):
        (corpus / f"seed-{number}").write_bytes(seed)
    bounds = [f"-max_total_time={seconds}", f"-timeout={HANGS_AFTER_S}", f"-rss_limit_mb={MEMORY_MB}"]
    command = [sys.executable, "-m", "tests.fuzz.one", name, str(corpus), f"-artifact_prefix={folder}/", *bounds]
    with (folder / "log").open("wb") as log:
        code = subprocess.run(command, stderr=log, stdout=log, check=False).returncode
    last = (folder / "log").read_text(errors="replace").strip().splitlines()[-1:]
    print(f"{name}: {'nothing found' if code == 0 else f'FOUND, see {folder}'}; {' '.join(last)}")  # noqa: T201
    return code


def main() -> int:
    """All targets, or those named; 1 when anything was found."""
    wanted = argparse.ArgumentParser(description="Fuzz whatever takes octets from others.")
    wanted.add_argument("targets", nargs="*", metavar="TARGET", help=f"of {', '.join(TARGETS)}; all without any")
    wanted.add_argument("--seconds", type=int, default=600, help="for each target (600)")
    given = wanted.parse_args()
    unknown = set(given.targets) - set(TARGETS)
    if unknown:
        wanted.error(f"there is no target {', '.join(sorted(unknown))}; there are {', '.join(TARGETS)}")
    codes = [fuzzed(name, given.seconds) for name in given.targets or TARGETS]
    return int(any(codes))


if __name__ == "__main__":
    sys.exit(main())
