"""Row k: a month of the demo site at the density of its polling, from the store to the printed record.

The month is made: every tag of the site at its own poll interval as float32 with noise, contacts and status words
steady, packed in chunks of five minutes as housekeeping leaves them. Then the command runs as a process of its own.
The baseline reads the same month with the store's own unpacking and computes nothing. Beside it: one tag's rolling
day out of three days of the store, and by pandas out of their plain text.
"""

import math
import os
import random
import shutil
import struct
import subprocess
import sys
import time
from collections.abc import Iterator, Sequence
from functools import partial
from itertools import islice
from pathlib import Path

import numpy as np
import pandas as pd

from gateway.configuration.plant import LoadedSite, load_site
from gateway.core.sample import Number, Sample
from gateway.core.tick import Tick
from gateway.store import sample_log
from gateway.store.chunk import SampleRow, ScanTick, columns_of, pack
from gateway.store.database import Database, Transaction, offline
from gateway.store.migrations import PLANT
from gateway.store.picking import picked_of
from simulator.site import DEMO_SITE
from tests.bench.frame import Figure, Goal, Scale
from tests.bench.made_record import JOINED_S, Chunk, fill
from tests.bench.processes import scratch_folder
from tests.bench.row_rolling import on_arrays, streamed

_BEGIN_UTC_MS = 1_738_364_400_000  # 1 Feb 2025 00:00 at the site
_DAY_S, _DAYS = 86_400, 28
_STEADY = {"ZSO-901": 1.0, "ZSC-901": 0.0, "FSL-510": 1.0, "AN1-TST": 12345.678, "FIT-510S": 250.0, "FIT-801S": 30.0}
_LEVELS = {"AIT-510": 0.7, "AIT-501": 3.2, "AIT-801": 5.5, "FIT-701": 1.2, "FIT-201": 1.2}
_CHUNKS_A_COMMIT, _WAIT_S = 50, 60.0
_PAGE_BYTES = 1_000_000
_ROLLED, _ROLLED_CHUNKS = "AIT-510", 3 * _DAY_S // JOINED_S


def measure(scale: Scale) -> Sequence[Figure]:
    """The month as PDF."""
    seconds = JOINED_S * 2 if scale.short else _DAY_S * _DAYS
    with scratch_folder() as folder:
        site = Path(shutil.copytree(DEMO_SITE, folder / "site"))
        loaded = load_site(site)
        store = loaded.resolve(loaded.site.place.storage_folder) / "plant.db"
        fill(loaded, store)
        samples = _filled(store, made_chunks(loaded, seconds))
        took_s, most_mb = _reported(site, folder / "month.pdf")
        began = time.process_time()
        count = _unpacked(store)
        bare_s = time.process_time() - began
        stored_s, exported_s, lines = _rolled(store, folder / "export.csv")
    return [
        Figure(
            name=f"month of {samples:,} readings as PDF",
            unit="CPU s",
            gateway=[took_s],
            baseline=[bare_s],
            goal=Goal(at_most=60.0),
            work=(samples, count),
            remark="bare: the same chunks unpacked and counted",
        ),
        Figure(
            name=f"rolling day of {_ROLLED} out of {lines:,} readings",
            unit="CPU s",
            gateway=[stored_s],
            baseline=[exported_s],
            goal=Goal(at_most=1.0, of="ratio"),
            remark="from the store; bare is pandas reading the exported CSV and computing; means, maxima, shares agree",
        ),
        Figure(name="its memory", unit="MB", gateway=[most_mb], goal=Goal(at_most=500.0)),
    ]


def _unpacked(store: Path) -> int:
    """Every chunk unpacked in full; how many readings they have."""
    count = after_n = 0
    with offline(store) as reader:
        while found := sample_log.read_after(reader, after_n, _PAGE_BYTES):
            count += sum(len(columns_of(header, body).tags) for header, body in found)
            after_n = found[-1][0].last_n
    return count


def _rolled(store: Path, export: Path) -> tuple[float, float, int]:
    """Rolling 24 h of a tag over the first days: out of the store, and by pandas out of their plain text."""
    chunks: list[Chunk] = []
    with offline(store) as reader:
        while len(chunks) < _ROLLED_CHUNKS and (
            found := sample_log.read_after(reader, chunks[-1][0].last_n if chunks else 0, _PAGE_BYTES)
        ):
            chunks += found
    lines = _exported(chunks[:_ROLLED_CHUNKS], export)
    began = time.process_time()
    readings: list[tuple[int, float, int]] = []
    for header, body in chunks[:_ROLLED_CHUNKS]:
        own = picked_of(header, body, frozenset({_ROLLED})).stretches[_ROLLED]
        readings += zip(own.utc_ms, own.values, [1] * len(own.values), strict=True)
    _, totals = streamed(readings)
    stored_s = time.process_time() - began
    began = time.process_time()
    table = pd.read_csv(export)
    mine = table[table.tag == _ROLLED]
    _, expected = on_arrays(
        mine.utc_ms.to_numpy(), mine.value.to_numpy(), np.array(mine.quality == "good", dtype=np.int64)
    )
    exported_s = time.process_time() - began
    assert all(math.isclose(one, other, rel_tol=1e-9) for one, other in zip(totals, expected, strict=True))
    return stored_s, exported_s, lines


def _exported(chunks: Sequence[Chunk], export: Path) -> int:
    lines = 0
    with export.open("w", encoding="utf-8") as out:
        out.write("tag,utc_ms,value,quality\n")
        for header, body in chunks:
            one = columns_of(header, body)
            each = zip(one.tags, one.utc_ms, one.values, strict=True)
            out.writelines(f"{tag},{at_ms},{value!r},good\n" for tag, at_ms, value in each)
            lines += len(one.tags)
    return lines


def _filled(store: Path, chunks: Iterator[Chunk]) -> int:
    """Append so many at a time that no commit takes long; the number of samples."""
    database, samples = Database(store, PLANT, utc_ms=_BEGIN_UTC_MS), 0
    try:
        while some := list(islice(chunks, _CHUNKS_A_COMMIT)):
            database.submit(partial(_append, chunks=some)).result(_WAIT_S)
            samples = some[-1][0].last_n
    finally:
        database.close(_WAIT_S)
    return samples


def _append(transaction: Transaction, *, chunks: Sequence[Chunk]) -> None:
    for header, body in chunks:
        sample_log.append(transaction, header, body)


def _reported(site: Path, output: Path) -> tuple[float, float]:
    command = [sys.executable, "-m", "gateway", "record", "month", "2025-02", "--as", "pdf", "--output", str(output)]
    process = subprocess.Popen([*command, "--site", str(site)], stdout=subprocess.DEVNULL)
    _, status, used = os.wait4(process.pid, 0)
    process.returncode = os.waitstatus_to_exitcode(status)
    assert process.returncode == 0, "the record was not made"
    assert output.read_bytes().startswith(b"%PDF"), "it is no PDF"
    return used.ru_utime + used.ru_stime, used.ru_maxrss / 1_024


def made_chunks(loaded: LoadedSite, seconds: int) -> Iterator[Chunk]:
    """Chunks of so many seconds from the first of February 2025 on."""
    draws = random.Random(1)  # noqa: S311 - makes test data
    every = {name: max(1, round(tag.poll_interval_s)) for name, tag in loaded.site.tags.items()}
    every |= dict.fromkeys(("DV-CT", "DV-MODAL", "DV-DOSE"), 60)
    n = 1
    for begin_s in range(0, seconds, JOINED_S):
        rows: list[SampleRow] = []
        scans: list[ScanTick] = []
        for second in range(begin_s, begin_s + JOINED_S):
            tick = Tick(monotonic_ms=1_000 * second, utc_ms=_BEGIN_UTC_MS + 1_000 * second)
            scans.append(ScanTick(scan=second + 1, tick=tick))
            for tag, interval in every.items():
                if second % interval == 0:
                    rows.append(SampleRow(n=n, scan=second + 1, sample=_reading(tag, tick, second, draws)))
                    n += 1
        yield pack(rows, scans, run=1, configuration=loaded.hash)


def _reading(tag: str, tick: Tick, second: int, draws: random.Random) -> Sample:
    if tag.startswith("FQI"):
        value = 1.2 * second / 3_600
    elif tag in _STEADY or tag.endswith("-STS"):
        value = _STEADY.get(tag, 0.0)
    else:
        value = draws.gauss(_LEVELS.get(tag, 600.0 if tag.startswith("DV") else 50.0), 0.03)
    octets = struct.pack(">f", value)
    shown, raw = struct.unpack(">f", octets)[0], struct.unpack(">HH", octets)
    return Sample(tag=tag, reading=Number(shown), arrived=tick, source_utc_ms=tick.utc_ms, raw=raw)
