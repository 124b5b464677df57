"""What a chunk of the store becomes on its way upstream."""

import json

from gateway.core.quality import Quality, Reason
from gateway.core.sample import NoNumber, Number, Reading, Sample, Text
from gateway.core.tick import Tick
from gateway.local.messages import TagValue
from gateway.publishers import payload
from gateway.store import chunk
from gateway.uplink.process import StoredChunks

AT = Tick(monotonic_ms=1_000, utc_ms=1_738_800_000_000)


def test_numbers_texts_and_reasons_go_upstream_each_in_its_way() -> None:
    readings: list[Reading] = [
        Number(0.71),
        Number(20.0, Quality.UNCERTAIN, Reason.OVER_RANGE),
        NoNumber(Reason.SENTINEL),
        Text("FS-501 V2"),
        Text("12.5"),
    ]
    rows = [
        chunk.SampleRow(n=n, scan=1, sample=Sample(tag="A", reading=one, arrived=AT, source_utc_ms=AT.utc_ms))
        for n, one in enumerate(readings, 1)
    ]
    told = StoredChunks().readings(*chunk.pack(rows, [], run=1, configuration="c"))
    assert [(row.value, row.quality, row.reason) for row in told] == [
        (0.71, "good", "ok"),
        (20.0, "uncertain", "over_range"),
        (None, "bad", "sentinel"),
        ("FS-501 V2", "good", "ok"),
        ("12.5", "good", "ok"),
    ]


def test_the_newest_text_of_a_tag_goes_upstream_as_its_value() -> None:
    told = payload.reading_of(TagValue(tag="SERIAL", quality="good", text="FS-501 V2", utc_ms=5, n=9))
    live = payload.Live(site="m", run=1, scan=1, at_utc_ms=5, readings=(told,))
    (parcel,) = payload.live_parcels(live, limit_bytes=2_000)
    (heard,) = json.loads(parcel.body)["readings"]
    assert (heard["tag"], heard["value"], heard["quality"]) == ("SERIAL", "FS-501 V2", "good")
