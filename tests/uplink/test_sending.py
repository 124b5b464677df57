"""What is sent again, what waits and what is set aside; lanes."""

import asyncio
from collections.abc import Sequence
from pathlib import Path

import pytest

from gateway.publishers.backoff import Backoff
from gateway.publishers.mqtt import MqttPublisher, MqttSettings
from gateway.publishers.publisher import Accepted, Channel, Lost, NotSent, Outcome, Parcel, Refused
from gateway.uplink.sending import SET_ASIDE_AFTER, Held, Lanes, Sender, SetAside, Urgency
from tests.mosquitto import PATIENCE_S, Relay, broker, listener

HELLO = Parcel(channel=Channel.STATE, body=b"hello", content_type="text/plain", label="hello")


def parcel(text: str) -> Parcel:
    return Parcel(channel=Channel.EVENT, body=text.encode(), content_type="text/plain", label=text)


class Scripted:
    """A publisher that does what ``fate`` says of each body; notes what was handed over, connection by connection."""

    limit_bytes = 1_000
    wire_bytes = 0

    def __init__(self, fate: dict[bytes, Outcome] | None = None, *, until_connection: int = 1_000) -> None:
        self.fate = fate or {}
        self.until_connection = until_connection
        self.connected = False
        self.connections = 0
        self.handed: list[list[bytes]] = []
        self.batches: list[int] = []

    async def connect(self) -> None:
        if not self.connected:
            self.connected = True
            self.connections += 1
            self.handed.append([])
            if self.connections >= self.until_connection:
                self.fate = {}

    async def lost(self) -> str:
        return "lost"

    async def deliver(self, batch: Sequence[Parcel]) -> tuple[Outcome, ...]:
        await asyncio.sleep(0)
        self.batches.append(len(batch))
        outcomes: list[Outcome] = []
        for one in batch:
            if not self.connected:
                outcomes.append(NotSent(reason="gone"))
                continue
            self.handed[-1].append(one.body)
            outcome = self.fate.get(one.body, Accepted())
            self.connected = not isinstance(outcome, Lost)
            outcomes.append(outcome)
        return tuple(outcomes)

    async def close(self, farewell: Parcel | None = None) -> None:
        assert farewell is None


def sender(publisher: Scripted) -> tuple[Sender, list[SetAside]]:
    aside: list[SetAside] = []
    return Sender(publisher, greeting=lambda: HELLO, on_set_aside=aside.append), aside


def test_the_state_goes_first_on_every_connection() -> None:
    publisher = Scripted()
    sending, _ = sender(publisher)

    async def story() -> None:
        await sending.send([parcel("a")], Urgency.ALARMS)
        publisher.connected = False
        await sending.send([parcel("b")], Urgency.ALARMS)

    asyncio.run(story())
    assert publisher.handed == [[b"hello", b"a"], [b"hello", b"b"]]


def test_what_was_lost_is_sent_again_in_order_and_then_one_at_a_time() -> None:
    publisher = Scripted({b"b": Lost(reason="cut", answered=True)}, until_connection=2)
    sending, aside = sender(publisher)
    asyncio.run(sending.send([parcel(text) for text in "abcd"], Urgency.ALARMS))
    assert publisher.handed == [[b"hello", b"a", b"b"], [b"hello", b"b", b"c", b"d"]]
    assert publisher.batches[-3:] == [1, 1, 1]
    assert aside == []


def test_a_parcel_that_ends_every_connection_is_set_aside_and_those_behind_it_get_through() -> None:
    publisher = Scripted({b"poison": Lost(reason="malformed", answered=True)})
    sending, aside = sender(publisher)
    asyncio.run(sending.send([parcel("a"), parcel("poison"), parcel("z")], Urgency.ALARMS))
    assert [one.label for one in aside] == ["poison"]
    assert publisher.handed[-1][-1] == b"z"
    assert sum(b"poison" in connection for connection in publisher.handed) == 1 + SET_ASIDE_AFTER


def test_a_broker_that_never_answers_anything_sets_nothing_aside() -> None:
    publisher = Scripted({b"a": Lost(reason="cut", answered=False)}, until_connection=10 * SET_ASIDE_AFTER)
    sending, aside = sender(publisher)
    asyncio.run(sending.send([parcel("a")], Urgency.ALARMS))
    assert publisher.connections == 10 * SET_ASIDE_AFTER
    assert aside == []


def test_what_can_never_be_accepted_is_set_aside_at_once() -> None:
    publisher = Scripted({b"big": Refused(reason="too large"), b"bad": Refused(reason="format", code=0x99)})
    sending, aside = sender(publisher)
    asyncio.run(sending.send([parcel("a"), parcel("big"), parcel("bad"), parcel("z")], Urgency.ALARMS))
    assert [one.label for one in aside] == ["big", "bad"]
    assert publisher.handed == [[b"hello", b"a", b"big", b"bad", b"z"]]


def test_what_may_be_put_right_is_held_and_not_sent_again_blindly() -> None:
    publisher = Scripted({b"b": Refused(reason="Not authorized", code=0x87)})
    sending, aside = sender(publisher)
    with pytest.raises(Held, match="b refused: Not authorized") as caught:
        asyncio.run(sending.send([parcel("a"), parcel("b"), parcel("c")], Urgency.ALARMS))
    assert caught.value.dealt_with == 1
    assert aside == []
    assert publisher.handed == [[b"hello", b"a", b"b", b"c"]]


def test_what_is_worth_one_try_is_not_sent_without_a_connection() -> None:
    publisher = Scripted()
    sending, _ = sender(publisher)
    assert asyncio.run(sending.send_once([parcel("a")], Urgency.LIVE)) is False
    assert publisher.handed == []


def test_the_less_urgent_wait_for_the_more_urgent_and_not_the_other_way_round() -> None:
    async def story() -> list[str]:
        lanes, order = Lanes(), []

        async def take(urgency: Urgency) -> None:
            await lanes.turn(urgency)
            order.append(urgency.name)

        with lanes.wanting(Urgency.LIVE):
            history = asyncio.ensure_future(take(Urgency.HISTORY))
            await take(Urgency.ALARMS)
            await take(Urgency.LIVE)
            await asyncio.sleep(0)
        await history
        return order

    assert asyncio.run(story()) == ["ALARMS", "LIVE", "HISTORY"]


def test_a_real_connection_that_a_parcel_ends_is_survived(tmp_path: Path) -> None:
    """What a broker does with a packet it cannot take: it answers others and ends the connection at this one."""
    aside: list[SetAside] = []

    async def story(port: int) -> None:
        async with Relay(port) as relay, asyncio.timeout(PATIENCE_S):
            relay.cut_when_body_holds = b"poison"
            publisher = MqttPublisher(
                MqttSettings(
                    host="127.0.0.1",
                    port=relay.port,
                    client_id="gw",
                    topic_prefix="p/m",
                    backoff=Backoff(first_s=0.01, ceiling_s=0.05),
                )
            )
            sending = Sender(publisher, greeting=lambda: HELLO, on_set_aside=aside.append)
            await sending.send([parcel(t) for t in ("a", "b", "poison", "c", "d")], Urgency.ALARMS)
            await publisher.close()

    with broker(tmp_path) as running, listener(running.port, topic="p/m/event") as hearing:
        asyncio.run(story(running.port))
        hearing.until(lambda heard: heard.body == b"d")
    assert [one.label for one in aside] == ["poison"]
    assert list(dict.fromkeys(heard.body for heard in hearing.heard)) == [b"a", b"b", b"c", b"d"]


def test_a_message_above_a_limit_the_broker_did_not_state_does_not_stop_those_behind_it(tmp_path: Path) -> None:
    """Such a broker answers with a code the client library calls malformed, and the connection ends, each time."""
    aside: list[SetAside] = []

    async def story(port: int) -> None:
        async with asyncio.timeout(PATIENCE_S):
            publisher = MqttPublisher(
                MqttSettings(
                    host="127.0.0.1",
                    port=port,
                    client_id="gw",
                    topic_prefix="p/m",
                    backoff=Backoff(first_s=0.01, ceiling_s=0.05),
                )
            )
            sending = Sender(publisher, greeting=lambda: HELLO, on_set_aside=aside.append)
            await sending.send([parcel(t) for t in ("a", "large" * 200, "b")], Urgency.ALARMS)
            await publisher.close()

    with broker(tmp_path, "message_size_limit 500") as running, listener(running.port, topic="p/m/event") as hearing:
        asyncio.run(story(running.port))
        hearing.until(lambda heard: heard.body == b"b")
    assert [one.label for one in aside] == ["large" * 200]
    assert list(dict.fromkeys(heard.body for heard in hearing.heard)) == [b"a", b"b"]
