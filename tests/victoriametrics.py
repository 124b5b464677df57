"""A real VictoriaMetrics on a free port: takes line protocol, answers PromQL, counts what it throws away."""

import contextlib
import json
import shutil
import subprocess
import time
import urllib.error
import urllib.parse
import urllib.request
from collections.abc import Iterator
from pathlib import Path

from tests.mosquitto import PATIENCE_S, free_port

PROGRAM = shutil.which("victoria-metrics") or "/usr/bin/victoria-metrics"


class Metrics:
    """VictoriaMetrics as a child process; ``kill`` and ``start`` may be called in turn, port and data stay."""

    def __init__(self, folder: Path, retention: str) -> None:
        self.port = free_port()
        self.url = f"http://127.0.0.1:{self.port}"
        self._folder, self._retention = folder, retention
        self._process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        settings = (
            f"-storageDataPath={self._folder}",
            f"-httpListenAddr=127.0.0.1:{self.port}",
            f"-retentionPeriod={self._retention}",
            "-dedup.minScrapeInterval=1ms",
            "-memory.allowedBytes=64MB",
            "-loggerLevel=ERROR",
        )
        self._process = subprocess.Popen([PROGRAM, *settings], stderr=subprocess.DEVNULL, stdout=subprocess.DEVNULL)
        until = time.monotonic() + PATIENCE_S
        while time.monotonic() < until:
            assert self._process.poll() is None, "the server ended by itself, look at its settings"
            with contextlib.suppress(OSError):
                self._get("/health")
                return
            time.sleep(0.02)
        raise AssertionError("the server does not listen")

    def kill(self) -> None:
        if self._process is not None:
            self._process.kill()
            self._process.wait(PATIENCE_S)
            self._process = None

    def samples(self, selector: str) -> list[tuple[dict[str, str], list[tuple[int, float]]]]:
        """Every series that fits, with its stamps and values."""
        self._get("/internal/force_flush")
        asked = urllib.parse.urlencode(
            {"match[]": selector, "start": "0", "end": "4102444800", "reduce_mem_usage": "1"}
        )
        lines = [json.loads(line) for line in self._get(f"/api/v1/export?{asked}").splitlines()]
        merged: dict[str, tuple[dict[str, str], list[tuple[int, float]]]] = {}
        for line in lines:  # a long series comes in several
            name = json.dumps(line["metric"], sort_keys=True)
            _, samples = merged.setdefault(name, (line["metric"], []))
            samples += zip(line["timestamps"], map(float, line["values"]), strict=True)
        return [(metric, sorted(samples)) for metric, samples in merged.values()]

    def counted(self, name: str) -> int:
        """A figure of its own, such as how many rows it has thrown away."""
        found = [line for line in self._get("/metrics").decode().splitlines() if line.startswith(name)]
        return sum(int(line.rsplit(" ", 1)[1]) for line in found)

    def _get(self, path: str) -> bytes:
        with urllib.request.urlopen(self.url + path, timeout=PATIENCE_S) as answer:  # noqa: S310 - our own server
            body: bytes = answer.read()
        return body


@contextlib.contextmanager
def victoria_metrics(folder: Path, retention: str = "100y") -> Iterator[Metrics]:
    running = Metrics(folder / "metrics", retention)
    running.start()
    try:
        yield running
    finally:
        running.kill()
