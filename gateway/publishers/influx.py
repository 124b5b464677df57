"""A server that takes line protocol by the InfluxDB version 2 interface, and whether it kept what it took.

The only file that imports the InfluxDB client, and only once a site has such a
server: the import takes a fifth of a second and 20 MB. Of the client it uses
the synchronous request and nothing else. Lines are made and compressed here
(the client leaves out what it does not like, and compresses at level 9); its
batching mode gives up quietly and its queue has no bound; it makes no second
attempt, because attempts are the caller's.

A server's yes is no proof: some answer 204 for lines they throw away, because
they are older than the retention, too far in the future or cannot be read. So
a reading that was written can be asked for again (``read_back``), exactly by
its stamp. The two ways of asking are those that such servers have: instant
queries of PromQL with a range of raw samples, and Flux. Decides nothing about
what is sent again.

The client blocks; each call runs in a thread of this publisher's own, one at a
time, and is given up after a while. Times are real seconds.
"""

import asyncio
import gzip
import json
import math
import re
from collections.abc import Callable, Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

from gateway.publishers.publisher import Accepted, Lost, Refused

if TYPE_CHECKING:
    from influxdb_client.client.influxdb_client import InfluxDBClient

T = TypeVar("T")

_GZIP_LEVEL = 1  # higher levels cost three times the time for a sixth less
_GIVEN_UP_AFTER = 3  # time-outs of the client's, which bounds connecting and each read, not the whole
_OURS_TO_MEND_FROM, _THEIRS_FROM = 400, 500
_BUSY = {429, 503}
_SAME_TO = 1e-6  # servers keep decimals; what differs by less is the same reading
_SECOND_MS = 1_000
_TEXT_MOST = 300
_OBJECT = re.compile(r"<[^>]*> ?:? ?")  # an address in memory, another one each time


@dataclass(frozen=True, slots=True, kw_only=True)
class InfluxSettings:
    """Where and how.

    Args:
        url: of the server.
        organisation: at the server.
        bucket: that is written to.
        measurement: under which readings are written.
        site: id of the site.
        token: None for none.
        ca_file: certificates that may vouch for the server; None takes the system's.
        timeout_s: for connecting and for each part of an answer.
        read_back_api: promql or flux; None trusts the server's word.
        read_back_url: where it is asked; None asks the server that is written to.
    """

    url: str
    organisation: str
    bucket: str
    measurement: str
    site: str
    token: str | None = field(default=None, repr=False)
    ca_file: Path | None = None
    timeout_s: float = 10.0
    read_back_api: str | None = None
    read_back_url: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Canary:
    """One field of one reading that was written, to be found again.

    Args:
        tag: its tag.
        field: which field of its line.
        value: what must be found.
        utc_ms: at which stamp, exactly.
    """

    tag: str
    field: str
    value: float
    utc_ms: int


@dataclass(frozen=True, slots=True)
class Found:
    """It is there, as it was written."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Missing:
    """The server answers, and has not got it.

    Args:
        instead: what is there, in words.
    """

    instead: str


class InfluxServer:
    """One server.

    Args:
        settings: where and how.
    """

    def __init__(self, settings: InfluxSettings) -> None:
        self._settings = settings
        self._thread = ThreadPoolExecutor(max_workers=1, thread_name_prefix="influx")
        self._clients: dict[str, InfluxDBClient] = {}

    async def write(self, lines: bytes) -> Accepted | Refused | Lost:
        """One request. ``Refused`` also for a batch that the server took in part; then it says so."""
        body = gzip.compress(lines, _GZIP_LEVEL, mtime=0)
        return await self._in_thread(lambda: self._write(body))

    async def read_back(self, canary: Canary) -> Found | Missing | Refused | Lost:
        """Ask once for a reading that was written. A server may need a moment before it shows what it has."""
        ask = self._promql if self._settings.read_back_api == "promql" else self._flux
        found = await self._in_thread(lambda: ask(canary))
        if not isinstance(found, dict):
            return found
        if canary.utc_ms not in found:
            return Missing(instead="nothing at that stamp")
        value = found[canary.utc_ms]
        if math.isclose(value, canary.value, rel_tol=_SAME_TO, abs_tol=_SAME_TO):
            return Found()
        return Missing(instead=f"{value!r}")

    def close(self) -> None:
        """Let the thread go; a request under way ends by its time-out."""
        self._thread.shutdown(wait=False, cancel_futures=True)

    async def _in_thread(self, work: Callable[[], T]) -> T | Lost | Refused:
        limit_s = _GIVEN_UP_AFTER * self._settings.timeout_s
        try:
            async with asyncio.timeout(limit_s):
                return await asyncio.get_running_loop().run_in_executor(self._thread, lambda: _outcome(work))
        except TimeoutError:
            return Lost(reason=f"no whole answer within {limit_s:g} s")

    # --- in the thread ---------------------------------------------------------------------------------------------

    def _client(self, url: str) -> "InfluxDBClient":
        from influxdb_client.client.influxdb_client import InfluxDBClient  # noqa: PLC0415 - see the opening

        if url not in self._clients:
            settings = self._settings
            self._clients[url] = InfluxDBClient(
                url,
                settings.token or "",
                org=settings.organisation,
                timeout=round(settings.timeout_s * _SECOND_MS),
                ssl_ca_cert=str(settings.ca_file) if settings.ca_file is not None else None,
            )
        return self._clients[url]

    def _write(self, body: bytes) -> Accepted:
        from influxdb_client.domain.write_precision import WritePrecision  # noqa: PLC0415
        from influxdb_client.service.write_service import WriteService  # noqa: PLC0415

        settings = self._settings
        service: Any = WriteService(self._client(settings.url).api_client)  # type: ignore[no-untyped-call]
        service.post_write(
            settings.organisation, settings.bucket, body, precision=WritePrecision.MS, content_encoding="gzip"
        )
        return Accepted()

    def _promql(self, canary: Canary) -> dict[int, float]:
        """Raw samples of the second that ends at the stamp."""
        labels = {
            "__name__": f"{self._settings.measurement}_{canary.field}",
            "site": self._settings.site,
            "tag": canary.tag,
        }
        selector = ",".join(f"{name}={json.dumps(text, ensure_ascii=False)}" for name, text in labels.items())
        asked = {
            "query": f"{{{selector}}}[1s]",
            "time": f"{canary.utc_ms / _SECOND_MS:.3f}",
            "nocache": "1",  # some servers hide the newest half minute otherwise
        }
        answer: Any = self._asked("/api/v1/query", asked)
        samples = [sample for series in answer["data"]["result"] for sample in series["values"]]
        return {round(float(stamp_s) * _SECOND_MS): float(value) for stamp_s, value in samples}

    def _asked(self, path: str, asked: Mapping[str, str]) -> Any:
        settings = self._settings
        client: Any = self._client(settings.read_back_url or settings.url).api_client
        return client.call_api(
            path,
            "GET",
            query_params=list(asked.items()),
            header_params={"Accept": "application/json"},
            response_type="object",
            _return_http_data_only=True,
        )

    def _flux(self, canary: Canary) -> dict[int, float]:
        settings = self._settings
        filters = {
            "_measurement": settings.measurement,
            "_field": canary.field,
            "site": settings.site,
            "tag": canary.tag,
        }
        told = " and ".join(f"r[{_quoted(name)}] == {_quoted(text)}" for name, text in filters.items())
        query = (
            f"from(bucket: {_quoted(settings.bucket)})"
            f" |> range(start: time(v: {canary.utc_ms * 1_000_000}), stop: time(v: {canary.utc_ms * 1_000_000 + 1}))"
            f" |> filter(fn: (r) => {told})"
        )
        tables: Any = (
            self._client(settings.read_back_url or settings.url).query_api().query(query, settings.organisation)
        )
        records = [record for table in tables for record in table.records]
        return {round(one.get_time().timestamp() * _SECOND_MS): float(one.get_value()) for one in records}


def _quoted(text: str) -> str:
    """A Flux string."""
    escaped = text.replace("\\", "\\\\").replace('"', '\\"').replace("${", "\\${")
    return f'"{escaped}"'


def _outcome(work: Callable[[], T]) -> T | Lost | Refused:
    """What the client raises, as an outcome; anything of the network is ``Lost``."""
    from influxdb_client.rest import ApiException  # noqa: PLC0415
    from urllib3.exceptions import HTTPError  # noqa: PLC0415

    try:
        return work()
    except ApiException as error:
        return _answered(error.status or 0, _told(error.body, error.reason), error.headers)
    except (HTTPError, OSError) as error:
        return Lost(reason=f"{type(error).__name__}: {_OBJECT.sub('', str(error))}"[:_TEXT_MOST])
    except (ValueError, LookupError, TypeError, AttributeError) as error:
        return Lost(reason=f"the answer cannot be read: {error!r}"[:_TEXT_MOST])


def _answered(status: int, told: str, headers: Mapping[str, str] | None) -> Lost | Refused:
    if status in _BUSY:
        return Lost(
            reason=f"{status} {told}", answered=True, wait_s=_asked_to_wait_s((headers or {}).get("Retry-After"))
        )
    if _OURS_TO_MEND_FROM <= status < _THEIRS_FROM:
        return Refused(reason=told, code=status)
    return Lost(reason=f"{status} {told}", answered=True)


def _asked_to_wait_s(header: str | None) -> float:
    """Seconds; the other form of the header, a date, is left to our own pauses."""
    return float(header) if header is not None and header.isdecimal() else 0.0


def _told(body: object, reason: object) -> str:
    text = body.decode("utf-8", "replace") if isinstance(body, bytes) else str(body or reason)
    return " ".join(text.split())[:_TEXT_MOST]
