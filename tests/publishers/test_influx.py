"""The publisher for line protocol: a real VictoriaMetrics, and a stand-in for what that does not do."""

import asyncio
import contextlib
import gzip
import subprocess
import sys
import threading
import time
import urllib.parse
from collections.abc import Iterator
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any, Self

import pytest

from gateway.publishers.influx import Canary, Found, InfluxServer, InfluxSettings, Missing
from gateway.publishers.line_protocol import lines_of
from gateway.publishers.payload import SampleRow
from gateway.publishers.publisher import Accepted, Lost, Refused
from tests.mosquitto import PATIENCE_S, free_port
from tests.victoriametrics import Metrics, victoria_metrics

FEBRUARY_2025_MS = 1_738_368_000_000


def row(n: int, value: float | None = 0.71, tag: str = "AIT-510", utc_ms: int = FEBRUARY_2025_MS) -> SampleRow:
    quality, reason = ("good", "ok") if value is not None else ("bad", "no_answer")
    return SampleRow(n=n, tag=tag, utc_ms=utc_ms + n * 1_000, value=value, quality=quality, reason=reason)


def lines(*rows: SampleRow) -> bytes:
    return lines_of(rows, measurement="reading", site="marrowfell")


def canary(of: SampleRow, field: str = "value", value: float | None = None) -> Canary:
    wanted = of.value if value is None else value
    assert isinstance(wanted, float)
    return Canary(tag=of.tag, field=field, value=wanted, utc_ms=of.utc_ms)


@contextlib.contextmanager
def server(url: str, **other: Any) -> Iterator[InfluxServer]:
    settings = {"organisation": "site", "bucket": "plant", "measurement": "reading", "site": "marrowfell"}
    running = InfluxServer(
        InfluxSettings(url=url, **{**settings, "timeout_s": 5.0, "read_back_api": "promql", **other})
    )
    try:
        yield running
    finally:
        running.close()


@pytest.fixture(scope="module")
def metrics(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Metrics]:
    with victoria_metrics(tmp_path_factory.mktemp("vm")) as running:
        yield running


async def shown(influx: InfluxServer, wanted: Canary) -> object:
    """What reading back says once the server shows what it has."""
    async with asyncio.timeout(PATIENCE_S):
        while isinstance(found := await influx.read_back(wanted), Missing):  # noqa: ASYNC110 - nobody tells us
            await asyncio.sleep(0.1)
    return found


def test_readings_are_kept_with_their_values_and_stamps_to_the_millisecond(metrics: Metrics) -> None:
    rows = [row(1, 0.7134512, "WHOLE"), row(2, 5.0, "WHOLE"), row(3, None, "WHOLE"), row(4, 1e-9, "WHOLE")]
    with server(metrics.url) as influx:
        assert asyncio.run(influx.write(lines(*rows))) == Accepted()
    ((_, values),) = metrics.samples('reading_value{tag="WHOLE"}')
    assert values == [(one.utc_ms, one.value) for one in rows if one.value is not None]
    ((_, qualities),) = metrics.samples('reading_quality{tag="WHOLE"}')
    assert [quality for _, quality in qualities] == [192.0, 192.0, 0.0, 192.0]


def test_names_with_spaces_commas_and_equals_signs_arrive_as_they_are(metrics: Metrics) -> None:
    with server(metrics.url) as influx:
        assert asyncio.run(influx.write(lines(row(1, 1.0, 'O D,D="x"')))) == Accepted()
    assert [series["tag"] for series, _ in metrics.samples("reading_value")].count('O D,D="x"') == 1


def test_what_was_written_is_found_again_and_a_neighbour_is_not_taken_for_it(metrics: Metrics) -> None:
    written = row(1, 12.7, "FOUND")

    async def story() -> None:
        with server(metrics.url) as influx:
            await influx.write(lines(written))
            assert await shown(influx, canary(written)) == Found()
            assert await shown(influx, canary(written, "quality", 192.0)) == Found()
            assert await influx.read_back(canary(written, value=12.8)) == Missing(instead="12.7")
            a_second_later = Canary(tag="FOUND", field="value", value=12.7, utc_ms=written.utc_ms + 999)
            assert await influx.read_back(a_second_later) == Missing(instead="nothing at that stamp")

    asyncio.run(story())


def test_the_same_reading_written_twice_is_one_reading(metrics: Metrics) -> None:
    written = row(1, 3.0, "TWICE")

    async def story() -> None:
        with server(metrics.url) as influx:
            for _ in range(3):
                assert await influx.write(lines(written)) == Accepted()

    asyncio.run(story())
    ((_, values),) = metrics.samples('reading_value{tag="TWICE"}')
    assert values == [(written.utc_ms, 3.0)]


def test_a_server_that_says_yes_and_throws_away_is_found_out_by_reading_back(tmp_path: Path) -> None:
    """Trap 7: 204 for what is older than the retention; only its own counters and a question tell."""
    old = row(1, 0.71)

    async def story(running: Metrics) -> None:
        with server(running.url) as influx:
            assert await influx.write(lines(old)) == Accepted()
            assert await influx.read_back(canary(old)) == Missing(instead="nothing at that stamp")

    with victoria_metrics(tmp_path, retention="1") as running:
        asyncio.run(story(running))
        assert running.counted('vm_rows_ignored_total{reason="small_timestamp"}') > 0


def test_a_server_that_is_not_there_is_lost_and_asked_once(tmp_path: Path) -> None:
    assert tmp_path.exists()
    with server(f"http://127.0.0.1:{free_port()}") as influx:
        outcomes = [asyncio.run(influx.write(lines(row(1)))) for _ in range(2)]
    assert isinstance(outcomes[0], Lost)
    assert outcomes[0] == outcomes[1], "the same words each time: the state of the site tells them"
    assert "refused" in outcomes[0].reason


# --- a stand-in: answers what it is told to ---------------------------------------------------------------------


class StandIn:
    """An HTTP server that gives the same answer to everything and remembers what it was asked."""

    def __init__(self, status: int, body: bytes = b"", headers: dict[str, str] | None = None) -> None:
        self.asked: list[tuple[str, bytes, dict[str, str]]] = []
        self.answers = threading.Event()
        self.answers.set()
        stand_in = self

        class Handler(BaseHTTPRequestHandler):
            protocol_version = "HTTP/1.1"

            def do_POST(self) -> None:
                told = self.rfile.read(int(self.headers.get("Content-Length", "0")))
                stand_in.asked.append((self.path, told, dict(self.headers)))
                stand_in.answers.wait(PATIENCE_S)
                with contextlib.suppress(OSError):
                    self.send_response(status)
                    for name, value in (headers or {}).items():
                        self.send_header(name, value)
                    self.send_header("Content-Length", str(len(body)))
                    self.end_headers()
                    self.wfile.write(body)

            do_GET = do_POST  # noqa: N815 - the library's name

            def log_message(self, *_: object) -> None: ...

        self._http = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self._http.daemon_threads = True
        self.url = f"http://127.0.0.1:{self._http.server_address[1]}"

    def __enter__(self) -> Self:
        threading.Thread(target=self._http.serve_forever, daemon=True).start()
        return self

    def __exit__(self, *_: object) -> None:
        self.answers.set()
        self._http.shutdown()
        self._http.server_close()


def test_our_own_lines_go_out_compressed_by_us_with_organisation_bucket_precision_and_token() -> None:
    with StandIn(204) as there, server(there.url, token="secret") as influx:  # noqa: S106 - of this test
        assert asyncio.run(influx.write(lines(row(1), row(2, None)))) == Accepted()
    ((path, body, headers),) = there.asked
    asked = urllib.parse.parse_qs(urllib.parse.urlparse(path).query)
    assert urllib.parse.urlparse(path).path == "/api/v2/write"
    assert asked == {"org": ["site"], "bucket": ["plant"], "precision": ["ms"]}
    assert (headers["Content-Encoding"], headers["Authorization"]) == ("gzip", "Token secret")
    assert gzip.decompress(body) == lines(row(1), row(2, None))


@pytest.mark.parametrize("status", [400, 401, 403, 404, 413, 422])
def test_what_the_server_refuses_is_refused_with_its_words(status: int) -> None:
    """Trap 9: a partial write is a 400; nobody may think that it was accepted."""
    words = b'{"error":"partial write: field type conflict: input field \\"value\\" ... dropped=1"}'
    with StandIn(status, words) as there, server(there.url) as influx:
        outcome = asyncio.run(influx.write(lines(row(1))))
    assert outcome == Refused(reason=words.decode(), code=status)
    assert len(there.asked) == 1, "the client must not try again by itself"


@pytest.mark.parametrize(("status", "wait_s"), [(500, 0.0), (503, 17.0), (429, 17.0), (502, 0.0)])
def test_a_server_in_trouble_is_lost_and_may_ask_for_a_pause(status: int, wait_s: float) -> None:
    with StandIn(status, b"busy", {"Retry-After": "17"}) as there, server(there.url) as influx:
        outcome = asyncio.run(influx.write(lines(row(1))))
    assert isinstance(outcome, Lost)
    assert outcome.wait_s == wait_s
    assert str(status) in outcome.reason
    assert len(there.asked) == 1


def test_a_server_that_takes_the_lines_and_does_not_answer_is_lost_in_time() -> None:
    """Trap 8: the client's batching would take any number of readings meanwhile; nothing is queued here."""
    with StandIn(204) as there, server(there.url, timeout_s=0.3) as influx:
        there.answers.clear()
        began_s = time.monotonic()
        outcome = asyncio.run(influx.write(lines(row(1))))
        assert isinstance(outcome, Lost)
        assert time.monotonic() - began_s < 5
        there.answers.set()


ANNOTATED = (
    "#datatype,string,long,dateTime:RFC3339,dateTime:RFC3339,dateTime:RFC3339,double,string,string,string,string\r\n"
    "#group,false,false,true,true,false,false,true,true,true,true\r\n"
    "#default,_result,,,,,,,,,\r\n"
    ",result,table,_start,_stop,_time,_value,_field,_measurement,site,tag\r\n"
    ",,0,2025-02-01T00:00:01Z,2025-02-01T00:00:01.000000001Z,2025-02-01T00:00:01Z,12.7,value,reading,marrowfell,A\r\n"
    "\r\n"
)


def test_flux_is_asked_for_one_stamp_and_its_answer_read() -> None:
    """Against a stand-in that answers annotated CSV, as the query interface is described; not against a real one."""
    written = row(1, 12.7, 'A"${x}')
    csv = {"Content-Type": "text/csv"}
    with StandIn(200, ANNOTATED.encode(), csv) as there, server(there.url, read_back_api="flux") as influx:
        assert asyncio.run(influx.read_back(canary(written))) == Found()
        assert asyncio.run(influx.read_back(canary(written, value=12.8))) == Missing(instead="12.7")
        later = Canary(tag="A", field="value", value=12.7, utc_ms=written.utc_ms + 1)
        assert isinstance(asyncio.run(influx.read_back(later)), Missing)
    path, body, _ = there.asked[0]
    assert path.startswith("/api/v2/query")
    assert f"start: time(v: {written.utc_ms}000000), stop: time(v: {written.utc_ms}000001)".encode() in body
    assert rb"A\\\"\\${x}" in body


def test_an_answer_that_makes_no_sense_is_no_proof() -> None:
    body = b'{"status":"success"}'
    with StandIn(200, body, {"Content-Type": "application/json"}) as there, server(there.url) as influx:
        assert isinstance(asyncio.run(influx.read_back(canary(row(1)))), Lost)


def test_a_site_without_such_a_server_does_not_pay_for_the_client() -> None:
    code = (
        "import sys, gateway.uplink.process; sys.exit('influxdb_client' in sys.modules or 'reactivex' in sys.modules)"
    )
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0
