"""Payloads: described by a fresh schema, valid under it, and the same readings out as in."""

import json
import zlib
from pathlib import Path
from typing import Any

import jsonschema
import pytest

from gateway.configuration.schema.points import OwnTag
from gateway.local.messages import AlarmStatus, JournalEntry, OutputStatus, Status, TagValue
from gateway.publishers import payload
from gateway.publishers.columns import Batch, Reader, history_parcels, tag_table, tags_parcel
from gateway.publishers.payload import SampleRow
from gateway.publishers.publisher import Channel, Parcel

SCHEMA = Path(payload.__file__).parent / "payload_schema.json"

ENTRY = JournalEntry(
    n=118,
    run=3,
    scan=1_861,
    monotonic_ms=1_861_000,
    utc_ms=1_740_562_261_000,
    utc_trusted=True,
    kind="alarm",
    subject="TURBIDITY-HIGH",
    occurrence=1,
    facts={"priority": "P1", "onset_ms_ago": 15_000, "value": 12.7, "first": True},
    configuration="c0ffee",
)
STATUS = Status(
    id=1,
    utc_ms=1_740_562_261_000,
    scan=1_861,
    outputs=(
        OutputStatus(
            output="product",
            service="recycled water to the tank",
            level="withdrawn",
            safe=True,
            confirmed=True,
            proven=False,
            reasons=("I-01",),
            since_utc_ms=1_740_562_260_000,
        ),
    ),
    interlocks=(),
    alarms=(
        AlarmStatus(
            alarm="TURBIDITY-HIGH",
            state="UNACK",
            priority="P1",
            occurrence=1,
            since_utc_ms=1_740_562_261_000,
            says="filter water cloudy",
            action="Look at the filters",
        ),
    ),
    tags=(),
    notes=("clock not trusted",),
)


POINTS = {
    "AIT-510": OwnTag(service="filter effluent turbidity", unit="NTU", figure="rows_waiting", report_deadband=0.05),
    "ZSC-901": OwnTag(service="valve proven at divert", figure="rows_waiting"),
}
TABLE = tag_table(POINTS, site="marrowfell", configuration="c0ffee")
ROW = SampleRow(n=1_000, tag="AIT-510", utc_ms=1_740_562_261_000, value=0.71)
BATCH = Batch(rows=[ROW], run=3, configuration="c0ffee", first_n=990, last_n=1_002)


def every_kind() -> list[Parcel]:
    live = payload.Live(
        site="marrowfell",
        run=3,
        scan=7,
        at_utc_ms=1_740_562_261_000,
        readings=(
            payload.reading_of(TagValue(tag="AIT-510", quality="good", value=0.71, utc_ms=1_740_562_260_000, n=5)),
            payload.reading_of(TagValue(tag="AIT-801", quality="bad", reason="stale")),
        ),
    )
    message = payload.Message(
        site="marrowfell",
        run=3,
        n=118,
        event=1,
        message=1,
        alarm="TURBIDITY-HIGH",
        occurrence=1,
        priority="P1",
        at_utc_ms=1_740_562_261_000,
        sent_utc_ms=1_740_562_262_000,
        nature="limit",
        diversion="proven",
        text="MARROWFELL P1 #1/1 Wed 10:31: filter water cloudy.",
        more="Usual cause: filter soiled.",
    )
    will = payload.State(site="marrowfell", at_utc_ms=1_740_562_261_000, online=False, field="unknown", reason="lost")
    state = payload.state_of(STATUS, site="marrowfell", run=3, configuration="c0ffee", behind=(2, 300))
    return [
        payload.state_parcel(will),
        payload.state_parcel(state),
        payload.event_parcel(payload.event_of(ENTRY, site="marrowfell")),
        payload.message_parcel(message),
        *payload.live_parcels(live, limit_bytes=60_000),
        tags_parcel(TABLE),
        *(parcel for _, parcel in history_parcels(BATCH, TABLE, limit_bytes=60_000)),
    ]


def read(parcel: Parcel) -> Any:
    """The JSON on the wire, inflated as RFC 1950 says."""
    if parcel.content_type == payload.JSON:
        return json.loads(parcel.body)
    preset = parcel.body[1] & 0x20
    inflate = zlib.decompressobj(zdict=TABLE.message.pattern.encode()) if preset else zlib.decompressobj()
    return json.loads(inflate.decompress(parcel.body))


def test_the_schema_file_is_fresh() -> None:
    assert SCHEMA.read_text(encoding="utf-8") == payload.schema_text(), (
        "run: python -c 'from gateway.publishers import payload as p;"
        ' open("gateway/publishers/payload_schema.json", "w").write(p.schema_text())\''
    )


@pytest.mark.parametrize("parcel", every_kind(), ids=lambda parcel: parcel.label)
def test_every_payload_is_valid_under_the_schema_and_names_its_version(parcel: Parcel) -> None:
    schema = json.loads(SCHEMA.read_text(encoding="utf-8"))
    content = read(parcel)
    jsonschema.Draft202012Validator(schema).validate(content)
    kind = "tags" if "table" in parcel.label else parcel.channel.value
    assert content["schema"] == f"purplegate.{kind}/{2 if kind in ('history', 'live') else 1}"
    assert content["site"] == "marrowfell"


@pytest.mark.parametrize(
    "broken",
    [
        {"n": "118"},
        {"schema": "purplegate.event/2"},
        {"site": ""},
        {"facts": {"x": None}},
        {"at_utc_ms": 1.5},
    ],
    ids=str,
)
def test_the_schema_refuses_what_is_no_payload(broken: dict[str, Any]) -> None:
    schema = json.loads(SCHEMA.read_text(encoding="utf-8"))
    content = {**read(payload.event_parcel(payload.event_of(ENTRY, site="marrowfell"))), **broken}
    assert not jsonschema.Draft202012Validator(schema).is_valid(content)


def test_the_schema_refuses_an_event_without_its_identity() -> None:
    schema = json.loads(SCHEMA.read_text(encoding="utf-8"))
    content = read(payload.event_parcel(payload.event_of(ENTRY, site="marrowfell")))
    for key in ("site", "run", "n"):
        without = {name: value for name, value in content.items() if name != key}
        assert not jsonschema.Draft202012Validator(schema).is_valid(without)


def test_an_event_bears_the_identity_of_its_line_in_the_journal() -> None:
    event = payload.event_of(ENTRY, site="marrowfell")
    assert (event.site, event.run, event.n, event.facts) == ("marrowfell", 3, 118, ENTRY.facts)


def test_only_the_state_and_the_table_are_retained_and_live_values_expire() -> None:
    for parcel in every_kind():
        assert parcel.retain is (parcel.channel is Channel.STATE or "table" in parcel.label)
        assert (parcel.expires_s is not None) is (parcel.channel is Channel.LIVE)


def test_live_values_are_cut_to_the_size_bound() -> None:
    readings = tuple(
        payload.reading_of(TagValue(tag=f"TAG-{n}", quality="good", value=float(n), n=n)) for n in range(100)
    )
    live = payload.Live(site="m", run=3, scan=7, at_utc_ms=0, readings=readings)
    parcels = payload.live_parcels(live, limit_bytes=2_000)
    assert all(len(parcel.body) <= 2_000 for parcel in parcels)
    heard = [Reader().decode(parcel.body) for parcel in parcels]
    assert tuple(r for part in heard if isinstance(part, payload.Live) for r in part.readings) == readings
