"""What a month of the demo site costs on a metered link: a day in the direct gear, sent through TLS and counted.

History, the regular states, the events and the connections of the day are sent
through the gateway's own publisher to a real broker, one message after the
other as a quiet site sends them; the proxy counts. Thirty such days are a
month. What is said of a day is what was counted, not what was reckoned; open is
how much a carrier puts around a packet, and how often the link is lost.
"""

import asyncio
import tempfile
from dataclasses import dataclass
from pathlib import Path

from gateway.configuration.plant import LoadedSite, load_site
from gateway.publishers import payload
from gateway.publishers.columns import Batch, history_parcels, tag_table, tags_parcel
from gateway.publishers.mqtt import MqttPublisher, MqttSettings
from gateway.publishers.publisher import Accepted, Parcel
from gateway.uplink.forwarding import Pace
from gateway.uplink.process import report_rules
from gateway.uplink.thinning import Thinning
from simulator.events import EVENTS, Event
from simulator.site import DEMO_SITE
from tests.soak.day import minutes
from tests.soak.wire import MeteredLink, metered_link
from tests.uplink.test_budget import a_state, an_event

DAYS = 30
CONNECTIONS_A_DAY = 6  # a cellular link that is lost every four hours; an assumption
HISTORY, STATE, EVENT, CONNECTION = "history", "state", "event", "connection"
_LIMIT_BYTES = 60_000


@dataclass(frozen=True, slots=True, kw_only=True)
class DayOnTheWire:
    """Counted, of one day or less.

    Args:
        hours: how long it was.
        recorded: readings.
        sent: readings.
        messages: how many of each kind.
        octets: on the wire of each kind, headers and encryption included.
        metered: what the gateway's own count says of all.
    """

    hours: float
    recorded: int
    sent: int
    messages: dict[str, int]
    octets: dict[str, int]
    metered: int

    @property
    def month_mb(self) -> float:
        """Thirty days like this one."""
        return sum(self.octets.values()) * 24 / self.hours * DAYS / 1e6


def day_on_the_wire(hours: float, *, event: Event | None = None, seed: int = 1) -> DayOnTheWire:
    """Compute, send, count.

    Args:
        hours: of the plant.
        event: what goes wrong meanwhile; None is a calm day.
        seed: of the plant's noise.
    """
    site = load_site(DEMO_SITE)
    history, events, recorded, sent = _messages(site, event or EVENTS["calm"], hours, seed)
    table = tags_parcel(tag_table(site.site.points, site=site.site.site.id, configuration=site.hash))
    states = round(hours * 3600 / Pace().heartbeat_s) + 2 * events  # regularly; events come with changes of the state
    parcels = {HISTORY: history, STATE: [a_state()] * states, EVENT: [an_event()] * events}
    connections = max(1, round(CONNECTIONS_A_DAY * hours / 24))
    with tempfile.TemporaryDirectory(prefix="pgs") as folder, metered_link(Path(folder)) as link:
        octets, metered = asyncio.run(_send(link, parcels, [a_state(), table], connections))
    counts = {kind: len(some) for kind, some in parcels.items()} | {CONNECTION: connections}
    return DayOnTheWire(hours=hours, recorded=recorded, sent=sent, messages=counts, octets=octets, metered=metered)


def _messages(site: LoadedSite, event: Event, hours: float, seed: int) -> tuple[list[Parcel], int, int, int]:
    """History messages, how many events, readings recorded and sent."""
    table = tag_table(site.site.points, site=site.site.site.id, configuration=site.hash)
    thinning = Thinning(report_rules(site.site.points))
    parcels: list[Parcel] = []
    events, recorded, sent = 0, 0, 0
    for minute in minutes(site, event, hours, seed=seed):
        events += len(minute.events)
        rows = minute.rows()
        picked = thinning.pick(rows)
        first_n, last_n = rows[0].n, rows[-1].n
        batch = Batch(rows=picked, run=1, configuration=site.hash, first_n=first_n, last_n=last_n)
        parcels += [parcel for _, parcel in history_parcels(batch, table, limit_bytes=_LIMIT_BYTES)]
        recorded, sent = recorded + len(rows), sent + len(picked)
    return parcels, events, recorded, sent


async def _send(
    link: MeteredLink, parcels: dict[str, list[Parcel]], greeting: list[Parcel], connections: int
) -> tuple[dict[str, int], int]:
    octets = dict.fromkeys([*parcels, CONNECTION], 0)
    settings = MqttSettings(
        host="127.0.0.1",
        port=link.proxy.port,
        client_id="marrowfell",
        topic_prefix=payload.topic_prefix("purplegate", "marrowfell"),
        tls=link.tls,
        keepalive_s=120,
    )
    metered = 0
    for number in range(connections):
        before = link.proxy.wire_bytes()
        publisher = MqttPublisher(settings)
        await publisher.connect()
        assert set(await publisher.deliver(greeting)) == {Accepted()}
        octets[CONNECTION] += link.proxy.wire_bytes() - before
        for kind, some in parcels.items() if number == 0 else ():
            before = link.proxy.wire_bytes()
            for parcel in some:
                assert await publisher.deliver([parcel]) == (Accepted(),), parcel.label
            octets[kind] += link.proxy.wire_bytes() - before
        before = link.proxy.wire_bytes()
        await publisher.close()
        octets[CONNECTION] += link.proxy.wire_bytes() - before
        metered += publisher.wire_bytes
    return octets, metered
