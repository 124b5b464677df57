"""What a month costs on a metered link, and a backlog of three days: counted, with every header.

The stream is made up like the demo's (``demo_stream``). Packets are counted as
they pass a real broker; what stands around them is added by the sizes of the
standards. Encryption and the way through the network are not run here.
"""

import asyncio
import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from gateway.configuration.schema import Mqtt, Tls
from gateway.core.sample import Number, Sample
from gateway.core.tick import Tick
from gateway.local.messages import AlarmStatus, ChunkHeader, OutputStatus, Status
from gateway.publishers import payload
from gateway.publishers.backoff import Backoff
from gateway.publishers.columns import Batch, Reader, history_parcels, tag_table, tags_parcel
from gateway.publishers.mqtt import MqttPublisher, MqttSettings
from gateway.publishers.publisher import Accepted, Parcel
from gateway.store import chunk
from gateway.uplink.batches import Batching
from gateway.uplink.forwarding import Pace
from gateway.uplink.process import StoredChunks, report_rules
from gateway.uplink.thinning import Thinning
from tests.mosquitto import Relay, broker, eventually
from tests.uplink.demo_stream import DAY_S, START_UTC_MS, Stream, points, signals

CONFIGURATION = "9f86d081884c7d659a2feaa0c55ad015a3bf4f1b2b0b822cd15d6c15b0f00a08"
KEYS = points(signals())
TABLE = tag_table(KEYS, site="marrowfell", configuration=CONFIGURATION)

# IPv4 20 (RFC 791), TCP 20 and 12 of options, time stamps (RFC 9293, 7323); a TLS 1.3 record 5 of header, 1 of
# content type, 16 of authentication (RFC 8446); segments of 1,348 octets at most on a cellular link.
HEADERS, RECORD, SEGMENT = 52, 22, 1_348
HANDSHAKE = 6_000  # TCP and TLS with certificates both ways, CONNECT and CONNACK: taken high
CONNECTIONS_A_DAY = 6
EVENTS_A_DAY = 100
STATES_A_DAY = DAY_S / Pace().heartbeat_s + 30  # regularly, and at every change
MINUTES_A_DAY = 1_440
BUDGET_A_DAY = 1_000_000


def on_the_wire(packet: int, answer: int) -> int:
    """Octets of one message and its acknowledgement, and the bare acknowledgements of TCP for both."""
    sent = packet + RECORD
    segments = -(-sent // SEGMENT)
    return sent + segments * HEADERS + (answer + RECORD + HEADERS) + 2 * HEADERS


@dataclass
class Counted:
    """Octets of the application as they passed."""

    packets: list[int]
    answers: list[int]


async def through_a_broker(port: int, parcels: Sequence[Parcel]) -> Counted:
    counted = Counted([], [])

    class Counting(Relay):
        async def _sent(self, packet: bytes) -> None:
            if packet[0] & 0xF0 == 0x30:
                counted.packets.append(len(packet))
            await super()._sent(packet)

        async def _returned(self, packet: bytes) -> None:
            if packet[0] & 0xF0 == 0x40:
                counted.answers.append(len(packet))
            await super()._returned(packet)

    async with Counting(port) as relay:
        settings = MqttSettings(
            host="127.0.0.1",
            port=relay.port,
            client_id="marrowfell",
            topic_prefix="purplegate/marrowfell",
            backoff=Backoff(first_s=0.02, ceiling_s=0.1),
        )
        publisher = MqttPublisher(settings)
        await publisher.connect()
        for parcel in parcels:
            assert await publisher.deliver([parcel]) == (Accepted(),)
        await publisher.close()
        await eventually(lambda: not relay._writers)
    return counted


def wire_total(folder: Path, parcels: Sequence[Parcel]) -> int:
    with broker(folder) as office:
        counted = asyncio.run(through_a_broker(office.port, parcels))
    assert len(counted.packets) == len(counted.answers) == len(parcels)
    return sum(map(on_the_wire, counted.packets, counted.answers))


def a_day() -> tuple[list[Parcel], int, int]:
    """Every history message of a day, and how many readings were recorded and how many of them sent."""
    thinning = Thinning(report_rules(KEYS))
    parcels, recorded, sent, first_n = [], 0, 0, 1
    for rows in Stream(signals()).minutes(MINUTES_A_DAY):
        picked = thinning.pick(rows)
        recorded, sent = recorded + len(rows), sent + len(picked)
        batch = payload_batch(picked, first_n, rows[-1].n)
        first_n = rows[-1].n + 1
        parcels += [parcel for _, parcel in history_parcels(batch, TABLE, limit_bytes=60_000)]
    return parcels, recorded, sent


def payload_batch(rows: Sequence[payload.SampleRow], first_n: int, last_n: int) -> Batch:
    return Batch(rows=rows, run=1, configuration=CONFIGURATION, first_n=first_n, last_n=last_n)


def a_state() -> Parcel:
    """Three outputs and six alarms standing."""
    outputs = tuple(
        OutputStatus(
            output=name,
            service="",
            level="withdrawn",
            safe=True,
            confirmed=True,
            proven=True,
            reasons=("I-01",),
            since_utc_ms=START_UTC_MS,
        )
        for name in ("product", "feed", "supply")
    )
    alarms = tuple(
        AlarmStatus(
            alarm=f"TURBIDITY-HIGH-{n}",
            state="UNACK",
            priority="P2",
            occurrence=3,
            since_utc_ms=START_UTC_MS,
            says="filter water cloudy: the filters let solids through",
            action="",
        )
        for n in range(6)
    )
    status = Status(id=1, utc_ms=START_UTC_MS, scan=1_000_000, outputs=outputs, interlocks=(), alarms=alarms, tags=())
    return payload.state_parcel(payload.state_of(status, site="marrowfell", run=12, configuration=CONFIGURATION))


def an_event() -> Parcel:
    event = payload.Event(
        site="marrowfell",
        run=12,
        n=4_000,
        scan=1_000_000,
        at_utc_ms=START_UTC_MS,
        utc_trusted=True,
        kind="alarm",
        subject="TURBIDITY-HIGH",
        occurrence=3,
        facts={"priority": "P1", "onset_ms_ago": 15_000, "value": 12.7, "state": "UNACK"},
        configuration=CONFIGURATION,
    )
    return payload.event_parcel(event)


def test_a_day_of_the_demo_site_costs_less_than_a_megabyte_with_every_header(tmp_path: Path) -> None:
    history, recorded, sent = a_day()
    once = [a_state(), an_event(), tags_parcel(TABLE)]
    cost = {parcel.label: wire_total(tmp_path, [parcel]) for parcel in once}
    state, event, table = cost.values()
    total = (
        wire_total(tmp_path, history)
        + STATES_A_DAY * state
        + EVENTS_A_DAY * event
        + CONNECTIONS_A_DAY * (HANDSHAKE + table + state)
    )
    bodies = sum(len(parcel.body) for parcel in history)
    print(f"{recorded} readings recorded, {sent} sent ({sent / recorded:.1%}), {bodies} octets of history")  # noqa: T201
    print(f"{bodies / recorded:.3f} octets a reading recorded, {bodies / sent:.1f} a reading sent")  # noqa: T201
    print(f"on the wire: history {wire_total(tmp_path, history)}, {cost}, {total:.0f} a day")  # noqa: T201
    assert recorded == 24 * 60 * sum({"A": 12, "B": 4, "C": 1}[signal.poll] for signal in signals().values())
    assert total < BUDGET_A_DAY


def test_no_question_whether_the_other_is_there_is_sent_between_two_history_messages() -> None:
    """At 30 s they would cost half of what the readings cost."""
    mqtt = Mqtt(host="office.example", client_id="marrowfell", tls=Tls(ca_file="ca.crt"))
    assert mqtt.keepalive_s > mqtt.history_interval_s


# --- three days of backlog ---------------------------------------------------------------------------------------

BACKLOG_H, MADE_H = 72, 4
ANSWER_BYTES = 262_144  # what the uplink asks for at a time
COMMIT_S = 15


def chunks_of(rows: Sequence[payload.SampleRow]) -> list[tuple[ChunkHeader, bytes]]:
    """As the store packs them: a commit each quarter of a minute."""
    packed = []
    for at in range(0, len(rows), len(rows) // 4 + 1):
        part = rows[at : at + len(rows) // 4 + 1]
        samples = [
            chunk.SampleRow(
                n=row.n,
                scan=row.n,
                sample=Sample(
                    tag=row.tag,
                    reading=Number(row.value if isinstance(row.value, float) else 0.0),
                    arrived=Tick(monotonic_ms=row.utc_ms - START_UTC_MS, utc_ms=row.utc_ms),
                    source_utc_ms=row.utc_ms,
                ),
            )
            for row in part
        ]
        packed.append(chunk.pack(samples, [], run=1, configuration=CONFIGURATION))
    return packed


async def sent_of_the_backlog(hours: int) -> tuple[list[Parcel], int, float]:
    """Parcels of a backlog, the number of its last reading, and seconds of the uplink's work; from stored chunks."""
    batching = Batching(open_chunk=StoredChunks(), thinning=Thinning(report_rules(KEYS)), most_rows=4_000)
    parcels: list[Parcel] = []
    answer: list[tuple[ChunkHeader, bytes]] = []
    delivered_n, newest_n, worked_s = 0, 0, 0.0

    async def deliver() -> int:
        nonlocal worked_s
        n, began_s = delivered_n, time.monotonic()
        async for batch in batching.batches(answer, after_n=delivered_n):
            parcels.extend(parcel for _, parcel in history_parcels(batch, TABLE, limit_bytes=60_000))
            n = batch.last_n
        worked_s += time.monotonic() - began_s
        return n

    for rows in Stream(signals()).minutes(hours * 60):
        answer += chunks_of(rows)
        newest_n = rows[-1].n
        if sum(len(body) for _, body in answer) >= ANSWER_BYTES:
            delivered_n, answer = await deliver(), []
    if answer:
        await deliver()
    return parcels, newest_n, worked_s


def test_three_days_of_backlog_go_out_whole_in_few_messages_below_ten_megabytes(tmp_path: Path) -> None:
    """Some hours of it are made and counted; one is like the other, and the sum grows no faster."""
    parcels, newest_n, worked_s = asyncio.run(sent_of_the_backlog(MADE_H))
    times = BACKLOG_H // MADE_H
    octets, work_s = times * wire_total(tmp_path, parcels), times * worked_s
    print(f"{times * newest_n} readings, {times * len(parcels)} messages, {octets} octets, {work_s:.0f} s of work")  # noqa: T201
    assert max(len(parcel.body) for parcel in parcels) <= 60_000
    assert octets < 10_000_000
    assert times * len(parcels) < 1_000, "what a broker keeps by default for a historian that is away (trap 11)"
    assert work_s < 1_800, "unpacking, thinning and packing must leave room within the hour"
    reader = Reader()
    table = tags_parcel(TABLE)
    reader.decode(table.body, table.content_type)
    next_n, numbers = 1, []
    for parcel in parcels:
        history = reader.decode(parcel.body, parcel.content_type)
        assert isinstance(history, payload.History)
        assert history.first_n == next_n, "no gap"
        next_n = history.last_n + 1
        numbers += [row.n for row in reader.rows_of(history)]
    assert next_n == newest_n + 1
    assert len(set(numbers)) == len(numbers), "no double"


def test_even_if_every_fifth_reading_were_sent_the_backlog_would_stay_below_ten_megabytes() -> None:
    """The scenario's figure for what survives thinning, twenty times what the dead bands above let through."""
    octets, first_n = 0, 1
    for rows in Stream(signals()).minutes(60):
        batch = payload_batch(rows[::5], first_n, rows[-1].n)
        first_n = rows[-1].n + 1
        octets += sum(len(parcel.body) for _, parcel in history_parcels(batch, TABLE, limit_bytes=60_000))
    assert BACKLOG_H * octets < 10_000_000
