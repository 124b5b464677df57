"""Requests from afar through the uplink: carried as they came, answered, and never more than a few at a time."""

import asyncio
from collections.abc import Sequence

import msgspec
import pytest

from gateway.local.signed import digest
from gateway.publishers.payload import Answer
from gateway.publishers.publisher import Parcel
from gateway.uplink import from_afar
from gateway.uplink.from_afar import _WAIT_AT_MOST, FromAfar
from gateway.uplink.sending import Sender, Urgency
from tests.mosquitto import eventually
from tests.uplink.field_stand_in import Field, Record


class Post(Sender):
    """Keeps what would be sent."""

    def __init__(self) -> None:
        self.sent: list[Parcel] = []

    async def send_once(self, batch: Sequence[Parcel], urgency: Urgency) -> bool:
        assert urgency is Urgency.ALARMS
        self.sent += batch
        return True


def test_octets_pass_as_they_came_and_the_answer_names_them_and_a_flood_is_cut(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(from_afar, "_PAUSE_S", 0.0)

    async def story() -> None:
        post, field = Post(), Field(Record())
        courier, link = FromAfar(site="marrowfell", sender=post), await field.connect()
        courier.heard(b"before there was a connection")
        carrying = asyncio.ensure_future(courier.run(link))
        await asyncio.sleep(0)
        flood = [b"request %d" % n for n in range(500)]
        for octets in flood:
            courier.heard(octets)
        await eventually(lambda: len(post.sent) >= _WAIT_AT_MOST)
        for _ in range(20):
            await asyncio.sleep(0)
        carrying.cancel()
        await asyncio.wait([carrying])
        assert field.asked_afar == flood[:_WAIT_AT_MOST]
        answers = [msgspec.json.decode(parcel.body, type=Answer) for parcel in post.sent]
        assert [one.request for one in answers] == [digest(octets) for octets in flood[:_WAIT_AT_MOST]]
        assert not any(parcel.retain for parcel in post.sent)

    asyncio.run(story())
