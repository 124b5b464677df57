"""What rows d to g measure with measures right; the rows themselves are run by ``test_bench_short``."""

import http.client
import http.server
import json
import socket
import struct
import sys
import threading
import time
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import msgspec
import pytest

from gateway.configuration.plant import load_site
from gateway.publishers.columns import Batch, history_of, tag_table
from gateway.publishers.payload import SampleRow
from gateway.store import database, sample_log
from gateway.store.database import Database
from gateway.store.migrations import PLANT
from tests.bench import demo_plant, http_witness, made_record, modbus_peer, row_reaction, slow_disk, trip_site
from tests.bench.bare_sender import as_columns
from tests.bench.modbus_peer import BEYOND_LIMIT, BLOCK_ADDRESS, CONTROLLER, FIRST_CAUSE, GIVEN, WITHDRAWN, Trip
from tests.bench.processes import (
    child_of,
    memory_bytes,
    processor_s,
    python_process,
    wait_until,
    written_bytes,
)

WAIT_S = 10.0


class Master:
    """Asks a device over one connection."""

    def __init__(self, port: int) -> None:
        self._socket = socket.create_connection(("127.0.0.1", port), timeout=WAIT_S)

    def ask(self, unit: int, pdu: bytes) -> bytes:
        self._socket.sendall(struct.pack(">HHHB", 7, 0, len(pdu) + 1, unit) + pdu)
        head = self._received(7)
        assert head[:2] == b"\0\7"
        return self._received(int.from_bytes(head[4:6]) - 1)

    def _received(self, count: int) -> bytes:
        data = b""
        while len(data) < count:
            data += self._socket.recv(count - len(data))
        return data

    def read(self, unit: int, address: int, count: int) -> list[int]:
        answer = self.ask(unit, struct.pack(">BHH", 3, address, count))
        return list(struct.unpack(f">{count}H", answer[2:]))

    def write(self, *words: int) -> None:
        count = len(words)
        pdu = struct.pack(f">BHHB{count}H", 16, BLOCK_ADDRESS, count, 2 * count, *words)
        assert self.ask(CONTROLLER, pdu) == pdu[:5]

    def close(self) -> None:
        self._socket.close()


@contextmanager
def asking(port: int) -> Iterator[Master]:
    master = Master(port)
    try:
        yield master
    finally:
        master.close()


def test_a_trip_is_stamped_from_the_register_by_the_reply_to_the_write() -> None:
    with modbus_peer.running(2, 1) as (peer, (port,), play), asking(port) as master:
        assert master.read(CONTROLLER, BLOCK_ADDRESS, 3) == [0, GIVEN, GIVEN]
        assert master.read(FIRST_CAUSE, 0, 1) == [0]
        began_s = time.monotonic()
        play()
        wait_until(lambda: master.read(FIRST_CAUSE, 0, 1) == [BEYOND_LIMIT], "a cause")
        replied_s = time.monotonic()
        master.write(1, WITHDRAWN, GIVEN)
        written_s = time.monotonic()
        (trip,) = peer.trips
        assert trip.channel == 0
        assert began_s < trip.changed_s <= trip.replied_s <= replied_s < trip.written_s <= written_s
        assert master.read(FIRST_CAUSE, 0, 1) == [0], "the cause goes once the permit is withdrawn"
        master.write(2, WITHDRAWN, GIVEN)
        assert len(peer.trips) == 1, "a permit that stays withdrawn is no second trip"


def test_a_permit_withdrawn_before_its_cause_was_told_is_no_trip() -> None:
    with modbus_peer.running(1, 1) as (peer, (port,), _), asking(port) as master:
        master.write(1, WITHDRAWN)
        assert not peer.trips
        assert peer.first_write_s is not None
        assert not peer.given


def test_the_interlocks_own_delay_is_taken_off_and_one_in_a_hundred_is_left_out() -> None:
    at_once, delayed = 0, trip_site.CHANNELS - 1
    trips = [
        Trip(
            channel=number % 2 * delayed + (1 - number % 2) * at_once,
            changed_s=0.0,
            replied_s=0.25,
            written_s=written_s,
        )
        for number, written_s in enumerate([0.75, 1.75] * 99 + [9.0, 10.0])
    ]
    found = {one.name: one.gateway for one in row_reaction._figures("idle", trips, 5)}
    assert found["reply to write, median, idle"] == [500.0] * 5
    assert found["reply to write, 99 %, idle"] == [500.0]
    assert found["register to write, median, idle"] == [750.0] * 5
    assert found["  of it without a delay, idle"] == found["  of it with a delay of one period, idle"] == [500.0]


def test_a_made_record_is_read_back_whole_and_its_outputs_are_commissioned(tmp_path: Path) -> None:
    loaded = trip_site.write_site(tmp_path, ports=range(1, 1 + len(trip_site.CONNECTIONS)))
    chunks = made_record.moving_chunks(trip_site.MOVING[:3], 600, configuration=loaded.hash)
    filled = made_record.fill(loaded, tmp_path / "plant.db", made_record.repeated(chunks, 3))
    assert filled.samples == 3 * 600 // 5 * 3
    opened = Database(tmp_path / "plant.db", PLANT, utc_ms=0)
    try:
        with opened.reader() as reader:
            assert sample_log.verify(reader) == []
            values = [
                row.sample.reading
                for one in sample_log.read_after(reader, 0, 1 << 20)
                for row in sample_log.unpack(*one).rows
            ]
    finally:
        opened.close(WAIT_S)
    assert len(values) == filled.samples
    assert len(set(values)) == filled.samples // 3, "every reading of the repeated time is another one"


def test_a_slow_disk_keeps_every_commit_waiting(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(database, "_in_transaction", database._in_transaction)  # so that it is put back
    opened = Database(tmp_path / "plant.db", PLANT, utc_ms=0)
    try:
        slow_disk.make_slow(0.2)
        began_s = time.monotonic()
        assert opened.submit(lambda _: "done").result(WAIT_S) == "done"
        assert time.monotonic() - began_s >= 0.2
    finally:
        opened.close(WAIT_S)


class _Accepting(http.server.BaseHTTPRequestHandler):
    def do_POST(self) -> None:
        body = self.rfile.read(int(self.headers["Content-Length"]))
        self.send_response(204 if body == b"lines" else 400)
        self.end_headers()

    def log_message(self, format: str, *args: object) -> None:  # noqa: A002 - the library's name
        pass


def test_the_witness_passes_requests_on_and_answers_back() -> None:
    server = http.server.ThreadingHTTPServer(("127.0.0.1", 0), _Accepting)
    threading.Thread(target=server.serve_forever, daemon=True).start()
    try:
        with http_witness.before(server.server_address[1]) as (port, posted):
            for body, status in ((b"lines", 204), (b"others", 400)):
                connection = http.client.HTTPConnection("127.0.0.1", port, timeout=WAIT_S)
                connection.request("POST", "/api/v2/write", body)
                assert connection.getresponse().status == status
                connection.close()
            assert [(one.body, one.status) for one in posted] == [(b"lines", 204), (b"others", 400)]
            assert all(one.came_s <= one.answered_s for one in posted)
    finally:
        server.shutdown()
        server.server_close()


def test_the_kernels_figures_of_a_process_that_works_and_writes(tmp_path: Path) -> None:
    works = f"""
import os, time
kept = bytearray(os.urandom(30_000_000))
with open({str(tmp_path / "file")!r}, "wb") as file:
    file.write(bytes(5_000_000)); file.flush(); os.fsync(file.fileno())
until = time.process_time() + 0.3
while time.process_time() < until: pass
open({str(tmp_path / "done")!r}, "w").close()
time.sleep(60)
"""
    with python_process(tmp_path / "log", "-c", works) as process:
        wait_until((tmp_path / "done").exists, "its work")
        assert 0.3 <= processor_s(process.pid) < 20
        assert 30_000_000 < memory_bytes(process.pid) < 100_000_000
        assert 5_000_000 <= written_bytes(process.pid) < 6_000_000


def test_a_command_of_the_gateway_is_found_among_the_children_of_a_process(tmp_path: Path) -> None:
    starts = f"import subprocess; subprocess.run([{sys.executable!r}, '-c', 'input()', 'gateway', 'field'], stdin=-1)"
    with python_process(tmp_path / "log", "-c", starts) as process:
        wait_until(lambda: child_of(process.pid, "field") is not None, "the child")
        assert child_of(process.pid, "uplink") is None


def test_the_demo_site_of_the_bench_runs_on_the_machines_clock_with_the_plants_figures(tmp_path: Path) -> None:
    with demo_plant.demo_site(tmp_path, 1883) as (site, writes):
        loaded = load_site(site)
        assert loaded.site.place.simulated_clock is None
        assert (loaded.resolve(loaded.site.place.figures_folder) / "clock_offset_s").exists()
        assert not writes.safe_s
        place = json.loads((site / "place.yaml").read_text(encoding="utf-8").partition("\n")[2])
        with asking(place["connections"]["PC1"]["port"]) as master:
            block = loaded.site.output_block
            assert block is not None
            address = loaded.site.tags[block.registers[0]].address
            for permit in (GIVEN, WITHDRAWN):
                pdu = struct.pack(">BHHB4H", 16, address, 4, 8, 1, permit, 0, 0)
                assert master.ask(1, pdu) == pdu[:5]
    assert len(writes.safe_s) == 1


# --- row f -----------------------------------------------------------------------------------------------------


def test_the_bare_side_encodes_its_readings_into_the_columns_that_the_gateway_sends() -> None:
    readings = [("A", 1_000, 5.0), ("B", 1_250, 0.1), ("A", 6_000, -7.25), ("B", 6_000, 1e300)]
    rows = [SampleRow(n=n, tag=tag, utc_ms=at, value=value) for n, (tag, at, value) in enumerate(readings, 1)]
    batch = Batch(rows=rows, run=1, configuration="c", first_n=1, last_n=4)
    ours = json.loads(msgspec.json.encode(history_of(batch, tag_table({}, site="bench", configuration="c"))))
    (body,) = as_columns([readings])
    bare = json.loads(zlib.decompress(body))
    assert bare == {name: ours[name] for name in bare}
    assert {"n", "at", "tag", "value", "quality"} <= set(bare)
