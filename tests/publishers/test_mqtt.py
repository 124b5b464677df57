"""The MQTT publisher against a real broker: nothing counts as delivered that was not accepted."""

import asyncio
import socket
import threading
from collections.abc import AsyncIterator, Callable
from contextlib import ExitStack, asynccontextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from gateway.publishers import mqtt
from gateway.publishers.backoff import Backoff
from gateway.publishers.mqtt import MqttPublisher, MqttSettings, Tls
from gateway.publishers.publisher import Accepted, Channel, Lost, NotSent, Parcel, Publisher, Refused
from tests.mosquitto import PATIENCE_S, Relay, broker, certificate, eventually, listener, make_password_file

QUICK = Backoff(first_s=0.02, ceiling_s=0.1, steady_s=0.0)


def settings(port: int, **other: Any) -> MqttSettings:
    given = {"host": "127.0.0.1", "port": port, "client_id": "gateway", "topic_prefix": "purplegate/marrowfell"}
    return MqttSettings(**{**given, "backoff": QUICK, "answer_timeout_s": 5.0, "connect_timeout_s": 5.0, **other})


def event(text: str) -> Parcel:
    return Parcel(channel=Channel.EVENT, body=text.encode(), content_type="text/plain", label=text)


def state(text: str) -> Parcel:
    return Parcel(channel=Channel.STATE, body=text.encode(), content_type="text/plain", retain=True)


@asynccontextmanager
async def connected(port: int, will: Callable[[], Parcel] | None = None, **other: Any) -> AsyncIterator[MqttPublisher]:
    publisher = MqttPublisher(settings(port, **other), will)
    try:
        async with asyncio.timeout(PATIENCE_S):
            await publisher.connect()
        yield publisher
    finally:
        await publisher.close()


def test_it_keeps_the_promise_of_a_publisher() -> None:
    publisher: Publisher = MqttPublisher(settings(1))
    assert not publisher.connected


def test_an_acknowledged_parcel_is_accepted_and_arrives_with_its_content_type(tmp_path: Path) -> None:
    async def story(port: int) -> None:
        async with connected(port) as publisher:
            assert await publisher.deliver([event("one"), event("two")]) == (Accepted(), Accepted())

    with broker(tmp_path) as running, listener(running.port) as hearing:
        asyncio.run(story(running.port))
        first, second = hearing.next(), hearing.next()
    assert (first.topic, first.body, first.content_type) == ("purplegate/marrowfell/event", b"one", "text/plain")
    assert (second.body, second.retained) == (b"two", False)


def test_nothing_is_published_before_there_is_a_connection() -> None:
    async def story() -> None:
        publisher = MqttPublisher(settings(1))
        (outcome,) = await publisher.deliver([event("too early")])
        assert isinstance(outcome, NotSent)

    asyncio.run(story())


def test_what_the_access_list_denies_is_refused_and_never_accepted(tmp_path: Path) -> None:
    make_password_file(tmp_path / "passwords", gw="secret", office="other")
    (tmp_path / "acl").write_text("user gw\ntopic write purplegate/marrowfell/state\nuser office\ntopic read #\n")

    async def story(port: int) -> None:
        async with connected(port, username="gw", password="secret") as publisher:  # noqa: S106 - of this test's broker
            denied, allowed = await publisher.deliver([event("denied"), state("allowed")])
            assert isinstance(denied, Refused)
            assert denied.code == 0x87
            assert "authorized" in denied.reason
            assert allowed == Accepted()

    lines = ("allow_anonymous false", f"password_file {tmp_path}/passwords", f"acl_file {tmp_path}/acl")
    with ExitStack() as stack:
        running = stack.enter_context(broker(tmp_path, *lines))
        hearing = stack.enter_context(listener(running.port, username="office", password="other"))  # noqa: S106
        asyncio.run(story(running.port))
        assert hearing.next().body == b"allowed"


def test_a_wrong_password_is_reported_and_tried_again_with_pauses(tmp_path: Path) -> None:
    make_password_file(tmp_path / "passwords", gw="secret")
    reports: list[str] = []
    pauses: list[float] = []

    async def pause(duration_s: float) -> None:
        pauses.append(duration_s)
        await asyncio.sleep(0)

    async def story(port: int) -> None:
        wrong = settings(port, username="gw", password="wrong", backoff=Backoff(first_s=1.0, ceiling_s=8.0))  # noqa: S106
        publisher = MqttPublisher(wrong, pause=pause, report=reports.append)
        trying = asyncio.ensure_future(publisher.connect())
        await eventually(lambda: len(pauses) >= 6)
        trying.cancel()
        await asyncio.wait([trying])
        assert not publisher.connected

    lines = ("allow_anonymous false", f"password_file {tmp_path}/passwords")
    with broker(tmp_path, *lines) as running:
        asyncio.run(story(running.port))
    assert all("Not authorized" in report for report in reports)
    assert "wrong" not in repr(settings(1, password="wrong"))  # noqa: S106 - must not be printed
    for pause_s, full_s in zip(pauses, [1.0, 2.0, 4.0, 8.0, 8.0, 8.0], strict=False):
        assert full_s / 2 <= pause_s <= full_s
    assert len({round(pause_s / full_s, 6) for pause_s, full_s in zip(pauses, [1, 2, 4, 8, 8, 8], strict=False)}) > 1


def test_an_exception_in_a_callback_ends_the_connection_and_delivery_goes_on_over_the_next(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    post = mqtt._Connection._post
    failed: list[str] = []

    def stumbling(self: Any, what: Callable[..., None], *arguments: object) -> None:
        if what.__name__ == "_answer" and not failed:
            failed.append(threading.current_thread().name)
            raise ZeroDivisionError
        post(self, what, *arguments)

    monkeypatch.setattr(mqtt._Connection, "_post", stumbling)

    async def story(port: int) -> None:
        async with connected(port) as publisher:
            (outcome,) = await publisher.deliver([event("one")])
            assert isinstance(outcome, Lost)
            assert "ZeroDivisionError" in outcome.reason
            await publisher.connect()
            assert await publisher.deliver([event("one")]) == (Accepted(),)
            assert publisher.connections == 2

    with broker(tmp_path) as running:
        asyncio.run(story(running.port))
    assert failed[0].startswith("paho")


@pytest.mark.filterwarnings("ignore::pytest.PytestUnhandledThreadExceptionWarning")  # it is what the test does
def test_the_death_of_the_network_thread_is_noticed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    post = mqtt._Connection._post
    dead: list[threading.Thread] = []

    def deadly(self: Any, what: Callable[..., None], *arguments: object) -> None:
        if what.__name__ == "_answer" and not dead:
            dead.append(threading.current_thread())
            raise SystemExit
        post(self, what, *arguments)

    monkeypatch.setattr(mqtt._Connection, "_post", deadly)

    async def story(port: int) -> None:
        async with connected(port, answer_timeout_s=PATIENCE_S) as publisher:
            (outcome,) = await publisher.deliver([event("one")])
            assert isinstance(outcome, Lost)
            assert outcome.reason == "the network thread was killed"
            dead[0].join(PATIENCE_S)
            assert not dead[0].is_alive()
            await publisher.connect()
            assert await publisher.deliver([event("one")]) == (Accepted(),)

    with broker(tmp_path) as running:
        asyncio.run(story(running.port))


def test_a_parcel_above_our_own_bound_is_refused_without_being_sent(tmp_path: Path) -> None:
    async def story(port: int) -> None:
        async with Relay(port) as relay, connected(relay.port, message_limit_bytes=1_000) as publisher:
            large, small = await publisher.deliver([event("x" * 1_001), event("y" * 1_000)])
            assert isinstance(large, Refused)
            assert "1001" in large.reason
            assert "1000" in large.reason
            assert small == Accepted()
            assert relay.published == 1

    with broker(tmp_path) as running:
        asyncio.run(story(running.port))


def test_the_brokers_maximum_packet_size_bounds_ours(tmp_path: Path) -> None:
    async def story(port: int) -> None:
        async with connected(port, message_limit_bytes=60_000) as publisher:
            assert publisher.limit_bytes < 4_000
            large, small = await publisher.deliver([event("x" * 4_000), event("y" * publisher.limit_bytes)])
            assert isinstance(large, Refused)
            assert small == Accepted()

    with broker(tmp_path, "max_packet_size 4000") as running:
        asyncio.run(story(running.port))


def test_no_more_is_under_way_than_the_broker_is_ready_to_receive(tmp_path: Path) -> None:
    async def story(port: int) -> None:
        async with Relay(port) as relay, connected(relay.port, window=50) as publisher:
            relay.answers.clear()
            sending = asyncio.ensure_future(publisher.deliver([event(str(n)) for n in range(40)]))
            await eventually(lambda: relay.published == 5)
            relay.answers.set()
            assert await sending == (Accepted(),) * 40
            assert relay.peak_unanswered == 5

    with broker(tmp_path, "max_inflight_messages 5") as running:
        asyncio.run(story(running.port))


def test_no_more_is_under_way_than_our_own_window_and_two_senders_share_it(tmp_path: Path) -> None:
    async def story(port: int) -> None:
        async with Relay(port) as relay, connected(relay.port, window=3) as publisher:
            relay.answers.clear()
            batches = [publisher.deliver([event(f"{who}{n}") for n in range(10)]) for who in "ab"]
            sending = asyncio.ensure_future(asyncio.gather(*batches))
            await eventually(lambda: relay.published == 3)
            relay.answers.set()
            assert await sending == [(Accepted(),) * 10] * 2
            assert relay.peak_unanswered == 3

    with broker(tmp_path) as running:
        asyncio.run(story(running.port))


def test_a_cut_line_makes_the_unanswered_lost_and_nothing_is_sent_again_by_itself(tmp_path: Path) -> None:
    async def story(port: int) -> None:
        async with Relay(port) as relay, connected(relay.port, window=2) as publisher:
            assert await publisher.deliver([event("before")]) == (Accepted(),)
            relay.answers.clear()
            sending = asyncio.ensure_future(publisher.deliver([event("1"), event("2"), event("3")]))
            await eventually(lambda: relay.published == 3)
            relay.cut()
            first, second, third = await sending
            assert isinstance(first, Lost)
            assert first.answered
            assert isinstance(second, Lost)
            assert isinstance(third, NotSent)
            relay.answers.set()
            await publisher.connect()
            assert await publisher.deliver([event("after")]) == (Accepted(),)
            assert relay.published == 4

    with broker(tmp_path) as running:
        asyncio.run(story(running.port))


def test_a_broker_that_does_not_answer_any_more_is_given_up(tmp_path: Path) -> None:
    async def story(port: int) -> None:
        async with Relay(port) as relay, connected(relay.port, answer_timeout_s=0.3) as publisher:
            relay.answers.clear()
            (outcome,) = await publisher.deliver([event("one")])
            assert isinstance(outcome, Lost)
            assert "0.3 s" in outcome.reason
            assert not publisher.connected
            assert "0.3 s" in await publisher.lost()

    with broker(tmp_path) as running:
        asyncio.run(story(running.port))


def test_a_peer_that_accepts_and_says_nothing_is_given_up_in_time() -> None:
    reports: list[str] = []

    async def story(port: int) -> None:
        publisher = MqttPublisher(settings(port, connect_timeout_s=0.2), report=reports.append)
        trying = asyncio.ensure_future(publisher.connect())
        await eventually(lambda: len(reports) >= 2)
        trying.cancel()
        await asyncio.wait([trying])

    with socket.socket() as silent:
        silent.bind(("127.0.0.1", 0))
        silent.listen()
        asyncio.run(story(silent.getsockname()[1]))
    assert "no welcome" in reports[0]


def test_the_last_will_is_heard_when_the_line_is_cut_and_stays(tmp_path: Path) -> None:
    async def story(port: int) -> None:
        async with Relay(port) as relay, connected(relay.port, lambda: state("offline")) as publisher:
            await publisher.deliver([state("online")])
            relay.cut()
            await publisher.lost()

    with broker(tmp_path) as running:
        with listener(running.port) as hearing:
            asyncio.run(story(running.port))
            assert [hearing.next().body, hearing.next().body] == [b"online", b"offline"]
        with listener(running.port, name="late") as late:
            assert (late.next().body, late.heard[0].retained) == (b"offline", True)


def test_an_orderly_end_says_farewell_and_no_last_will(tmp_path: Path) -> None:
    async def story(port: int) -> None:
        publisher = MqttPublisher(settings(port), lambda: state("will"))
        await publisher.connect()
        await publisher.close(state("farewell"))
        (outcome,) = await publisher.deliver([event("late")])
        assert isinstance(outcome, NotSent)
        async with connected(port, client_id="another") as other:
            await other.deliver([event("end")])

    with broker(tmp_path) as running, listener(running.port) as hearing:
        asyncio.run(story(running.port))
        assert [hearing.next().body, hearing.next().body] == [b"farewell", b"end"]


def test_a_name_that_does_not_resolve_is_reported() -> None:
    reports: list[str] = []

    async def story() -> None:
        publisher = MqttPublisher(settings(1, host="broker.invalid"), report=reports.append)
        trying = asyncio.ensure_future(publisher.connect())
        await eventually(lambda: bool(reports))
        trying.cancel()
        await asyncio.wait([trying])

    asyncio.run(story())
    assert "broker.invalid" in reports[0]
    assert "cannot connect" in reports[0]


def test_a_missing_certificate_is_reported_and_connecting_goes_on(tmp_path: Path) -> None:
    reports: list[str] = []

    async def story() -> None:
        publisher = MqttPublisher(settings(1, tls=Tls(ca_file=tmp_path / "ca.crt")), report=reports.append)
        trying = asyncio.ensure_future(publisher.connect())
        await eventually(lambda: len(reports) >= 2)
        trying.cancel()
        await asyncio.wait([trying])

    asyncio.run(story())
    assert "ca.crt" in reports[0]


def test_over_tls_the_broker_is_checked_and_our_own_certificate_is_shown(tmp_path: Path) -> None:
    ours, strangers = certificate(tmp_path, "authority"), certificate(tmp_path, "stranger")
    certificate(tmp_path, "broker", signed_by="authority")
    client = certificate(tmp_path, "client", signed_by="authority")
    shown = Tls(ca_file=ours, certificate_file=client, key_file=tmp_path / "client.key")
    reports: list[str] = []

    async def story(port: int) -> None:
        async with connected(port, tls=shown) as publisher:
            assert await publisher.deliver([event("one")]) == (Accepted(),)
        for refused in (replace(shown, ca_file=strangers), Tls(ca_file=ours)):
            reports.clear()
            publisher = MqttPublisher(settings(port, tls=refused), report=reports.append)
            trying = asyncio.ensure_future(publisher.connect())
            await eventually(lambda: len(reports) >= 2)
            trying.cancel()
            await asyncio.wait([trying])
            assert not publisher.connected
            assert refused.certificate_file is None or "CERTIFICATE_VERIFY_FAILED" in reports[0]

    files = (f"cafile {ours}", f"certfile {tmp_path}/broker.crt", f"keyfile {tmp_path}/broker.key")
    with broker(tmp_path, *files, "require_certificate true") as running:
        asyncio.run(story(running.port))


@pytest.mark.parametrize(("failures", "full_s"), [(1, 1.0), (2, 2.0), (6, 32.0), (7, 60.0), (10_000, 60.0)])
def test_pauses_double_up_to_the_ceiling(failures: int, full_s: float) -> None:
    pauses = {Backoff().pause_s(failures) for _ in range(50)}
    assert all(full_s / 2 <= pause_s <= full_s for pause_s in pauses)
    assert len(pauses) > 1
