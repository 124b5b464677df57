"""MQTT 5 towards the office: one connection at a time, nothing kept, every answer looked at.

The only file that imports the MQTT client. Decides what may be sent now: never
while disconnected, never more than the window or the broker's Receive Maximum
at once, never above the size bound. Never stores and never repeats a parcel:
the client library's own queue dies with its connection, because each
connection gets a fresh client with a clean start and no session. What must
survive is the position in ``uplink.db``; a parcel whose answer was lost is
sent again from there, and receivers drop doubles by identity.

Threads: the library runs one network thread for each connection. Its callbacks
only hand what they were told to the asyncio loop. An exception in a callback
would kill that thread while the library goes on claiming to be connected;
so every callback is wrapped, and the thread's end, whatever the cause, is
itself an event that ends the connection.

The network takes real time whatever the plant's clock does: the time-outs
and pauses here are real seconds.
"""

import asyncio
import contextlib
import functools
import logging
import socket
import ssl
import threading
from collections.abc import Awaitable, Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Concatenate, ParamSpec

from paho.mqtt.client import Client, ConnectFlags, DisconnectFlags, MQTTMessage
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode
from paho.mqtt.subscribeoptions import SubscribeOptions

from gateway.publishers.backoff import Backoff
from gateway.publishers.publisher import Accepted, Channel, Lost, NotSent, Outcome, Parcel, Refused
from gateway.publishers.wire import wire_bytes_of

log = logging.getLogger(__name__)

P = ParamSpec("P")

_AT_LEAST_ONCE = 1
_REFUSED_FROM = 0x80
_RECEIVE_MAXIMUM_WITHOUT_WORD = 65_535  # MQTT 5, 3.2.2.3.3
_PACKET_OVERHEAD_BYTES = 512  # topic, packet id and properties beside the body; generous


@dataclass(frozen=True, slots=True, kw_only=True)
class Tls:
    """Files for an encrypted connection.

    Args:
        ca_file: certificates that may vouch for the broker; None takes the system's.
        certificate_file: ours, for a broker that wants one.
        key_file: its key.
    """

    ca_file: Path | None = None
    certificate_file: Path | None = None
    key_file: Path | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class MqttSettings:
    """Where and how to connect. Times in real seconds.

    Args:
        host: of the broker.
        port: of the broker.
        client_id: unique among the broker's clients.
        topic_prefix: ``<root>/<site>``; the channel's name follows.
        username: None for none.
        password: None for none.
        tls: None for plain TCP.
        keepalive_s: a half-open connection is noticed after about twice this.
        window: how many parcels may be unanswered at once.
        message_limit_bytes: largest body; well below what the broker takes.
        connect_timeout_s: for name, TCP, TLS and the broker's welcome together.
        answer_timeout_s: for the acknowledgement of a parcel; past it the connection is given up.
        backoff: pauses between attempts.
    """

    host: str
    port: int
    client_id: str
    topic_prefix: str
    username: str | None = None
    password: str | None = field(default=None, repr=False)
    tls: Tls | None = None
    keepalive_s: int = 30
    window: int = 20
    message_limit_bytes: int = 60_000
    connect_timeout_s: float = 20.0
    answer_timeout_s: float = 20.0
    backoff: Backoff = field(default_factory=Backoff)


class _WatchedClient(Client):
    """The library's client, with its network thread watched: ``ended`` is called when it ends, however it does."""

    ended: Callable[[str], None] = staticmethod(lambda _reason: None)

    def loop_forever(self, timeout: float = 1.0, retry_first_connection: bool = False) -> MQTTErrorCode:  # noqa: ARG002, FBT001, FBT002 - the library's signature; we retry ourselves
        reason = "the network thread was killed"
        try:
            result = super().loop_forever(timeout, retry_first_connection=False)
            reason = f"the connection ended ({result.name})"
        except OSError as error:  # name, connect, TLS
            reason = f"cannot connect: {error}"
            return MQTTErrorCode.MQTT_ERR_CONN_LOST
        except Exception as error:  # noqa: BLE001 - whatever it is must end this connection, not the program
            reason = f"the network thread failed: {error!r}"
            return MQTTErrorCode.MQTT_ERR_UNKNOWN
        else:
            return result
        finally:
            self.ended(reason)


@dataclass(frozen=True, slots=True, kw_only=True)
class Ears:
    """What is listened to besides sending.

    Args:
        channel: on which.
        heard: called in the asyncio loop with each body; must not block.
        limit_bytes: a longer one is not taken.
    """

    channel: Channel
    heard: Callable[[bytes], None]
    limit_bytes: int


def _guarded(
    callback: Callable[Concatenate["_Connection", P], None],
) -> Callable[Concatenate["_Connection", P], None]:
    """Keep an exception of ours out of the library's thread; it ends this connection instead."""

    @functools.wraps(callback)
    def guarded(connection: "_Connection", /, *args: P.args, **kwargs: P.kwargs) -> None:
        try:
            callback(connection, *args, **kwargs)
        except Exception as error:
            log.exception("an MQTT callback failed, giving the connection up")
            connection.abort_from_thread(f"a callback failed: {error!r}")

    return guarded


class _Connection:
    """One attempt and, if it succeeds, one connection. Used once.

    What stands below ``network thread`` runs there and touches nothing but
    ``_post``; everything else runs in the asyncio loop.
    """

    def __init__(self, settings: MqttSettings, will: Parcel | None, ears: "Ears | None") -> None:
        self._settings = settings
        self._ears = ears
        self._loop = asyncio.get_running_loop()
        self._given_up = threading.Event()
        self._answers: dict[int, asyncio.Future[Outcome]] = {}
        self.welcomed: asyncio.Future[None] = self._loop.create_future()
        self.over: asyncio.Future[str] = self._loop.create_future()
        self.thread_over: asyncio.Future[None] = self._loop.create_future()
        self.answered = False
        self.window = settings.window
        self.limit_bytes = settings.message_limit_bytes
        self._wire_bytes = 0
        self._client = self._make_client(will)

    def _make_client(self, will: Parcel | None) -> _WatchedClient:
        settings = self._settings
        client = _WatchedClient(
            CallbackAPIVersion.VERSION2,
            settings.client_id,
            protocol=MQTTProtocolVersion.MQTTv5,
            reconnect_on_failure=False,
        )
        client.connect_timeout = settings.connect_timeout_s
        client.max_inflight_messages_set(settings.window)
        client.max_queued_messages_set(settings.window)
        if settings.username is not None:
            client.username_pw_set(settings.username, settings.password)
        if settings.tls is not None:
            client.tls_set_context(_tls_context(settings.tls))
        if will is not None:
            properties = _properties(will, PacketTypes.WILLMESSAGE)
            client.will_set(_topic(settings, will.channel), will.body, _AT_LEAST_ONCE, will.retain, properties)
        client.on_socket_open = self._on_socket_open
        client.on_socket_close = self._on_socket_close
        client.on_connect = self._on_connect
        client.on_publish = self._on_publish
        client.on_disconnect = self._on_disconnect
        client.on_subscribe = self._on_subscribe
        client.on_message = self._on_message
        client.ended = self._on_thread_end
        return client

    def start(self) -> None:
        """Begin connecting, in the network thread."""
        settings = self._settings
        self._client.connect_async(settings.host, settings.port, settings.keepalive_s, clean_start=True)
        self._client.loop_start()

    def send(self, parcel: Parcel) -> asyncio.Future[Outcome]:
        """Hand one parcel to the network; the future becomes its outcome."""
        answer: asyncio.Future[Outcome] = self._loop.create_future()
        if self.over.done() or not self.welcomed.done():
            answer.set_result(NotSent(reason=self.over.result() if self.over.done() else "not connected yet"))
            return answer
        sent = self._client.publish(
            _topic(self._settings, parcel.channel), parcel.body, _AT_LEAST_ONCE, parcel.retain, _properties(parcel)
        )
        if sent.rc == MQTTErrorCode.MQTT_ERR_SUCCESS:
            self._answers[sent.mid] = answer
        else:
            # The library may have queued it all the same; only the end of this client is certain to stop it.
            self.abort(f"the client library did not take a parcel ({MQTTErrorCode(sent.rc).name})")
            answer.set_result(self._lost())
        return answer

    def abort(self, reason: str) -> None:
        """End it now, without a farewell: the broker publishes the last will."""
        self._finish(reason)
        self._given_up.set()
        open_socket = self._client.socket()
        if isinstance(open_socket, socket.socket):
            with contextlib.suppress(OSError):  # closed by the network thread in the same instant
                # Not SSLSocket.shutdown: that would let the network thread read ciphertext as if it were plain.
                socket.socket.shutdown(open_socket, socket.SHUT_RDWR)

    @property
    def wire_bytes(self) -> int:
        """What it has cost so far; what was last heard once it is closed."""
        open_socket = self._client.socket()
        if isinstance(open_socket, socket.socket):
            self._wire_bytes = max(self._wire_bytes, wire_bytes_of(open_socket))
        return self._wire_bytes

    async def farewell(self, timeout_s: float) -> None:
        """End it in order: the broker forgets the last will."""
        self._client.disconnect()
        await asyncio.wait([self.thread_over], timeout=timeout_s)
        self.abort("closed")

    def _lost(self) -> Lost:
        return Lost(reason=self.over.result(), answered=self.answered)

    # --- what the network thread said, in the asyncio loop ---------------------------------------------------------

    def _welcome(self, bounds: dict[str, int]) -> None:
        if self.over.done() or self.welcomed.done():
            return
        self.window = min(self._settings.window, bounds.get("ReceiveMaximum", _RECEIVE_MAXIMUM_WITHOUT_WORD))
        if "MaximumPacketSize" in bounds:
            self.limit_bytes = max(0, min(self.limit_bytes, bounds["MaximumPacketSize"] - _PACKET_OVERHEAD_BYTES))
        self.welcomed.set_result(None)

    def _answer(self, mid: int, code: int, reason: str) -> None:
        self.answered = True
        waiting = self._answers.pop(mid, None)
        if waiting is not None and not waiting.done():
            waiting.set_result(Accepted() if code < _REFUSED_FROM else Refused(reason=reason, code=code))

    def _finish(self, reason: str) -> None:
        if self.over.done():
            return
        self.over.set_result(reason)
        for answer in self._answers.values():
            if not answer.done():
                answer.set_result(self._lost())
        self._answers.clear()

    def _thread_ended(self, reason: str) -> None:
        self._finish(reason)
        if not self.thread_over.done():
            self.thread_over.set_result(None)

    # --- network thread: nothing but a hand-over -------------------------------------------------------------------

    def _post(self, what: Callable[..., None], *arguments: object) -> None:
        if self._loop.is_closed():
            return  # nobody is left to tell
        self._loop.call_soon_threadsafe(what, *arguments)

    def abort_from_thread(self, reason: str) -> None:
        """For the guard of the callbacks; does not go through what has just failed."""
        with contextlib.suppress(RuntimeError):  # the loop is closed: nobody is left to tell
            self._loop.call_soon_threadsafe(self.abort, reason)

    def _on_socket_open(self, _client: Client, _userdata: Any, opened: Any) -> None:
        # Not guarded: raising here is what keeps an attempt given up long ago from taking over our client id.
        if self._given_up.is_set():
            raise ConnectionAbortedError("this attempt was given up")
        opened.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)  # else what follows waits 40 ms for an ACK

    @_guarded
    def _on_socket_close(self, _client: Client, _userdata: Any, closing: Any) -> None:
        self._wire_bytes = max(self._wire_bytes, wire_bytes_of(closing))

    @_guarded
    def _on_connect(
        self, _client: Client, _userdata: Any, _flags: ConnectFlags, reason: ReasonCode, properties: Properties | None
    ) -> None:
        if reason.is_failure:
            self._post(self._finish, f"the broker refuses the connection: {reason}")
        else:
            self._listen()
            self._post(self._welcome, _bounds(properties))

    def _listen(self) -> None:
        """Before anything is published, so that no answer to it is missed. What the broker keeps is not asked for."""
        if self._ears is not None:
            new_alone = SubscribeOptions(_AT_LEAST_ONCE, retainHandling=SubscribeOptions.RETAIN_DO_NOT_SEND)
            self._client.subscribe(_topic(self._settings, self._ears.channel), options=new_alone)

    @_guarded
    def _on_subscribe(
        self, _client: Client, _userdata: Any, _mid: int, reasons: list[ReasonCode], _properties: Properties | None
    ) -> None:
        for reason in reasons:
            if reason.is_failure and self._ears is not None:
                log.error("the broker lets nobody listen to %s here: %s", self._ears.channel.value, reason)

    @_guarded
    def _on_message(self, _client: Client, _userdata: Any, message: MQTTMessage) -> None:
        if self._ears is None or len(message.payload) > self._ears.limit_bytes:
            log.warning("a message of %s bytes on %s is not taken", len(message.payload), message.topic)
        else:
            self._post(self._ears.heard, bytes(message.payload))

    @_guarded
    def _on_publish(
        self, _client: Client, _userdata: Any, mid: int, reason: ReasonCode, _properties: Properties | None
    ) -> None:
        self._post(self._answer, mid, reason.value, str(reason))

    @_guarded
    def _on_disconnect(
        self, _client: Client, _userdata: Any, _flags: DisconnectFlags, reason: ReasonCode, _p: Properties | None
    ) -> None:
        self._post(self._finish, f"disconnected: {reason}")

    @_guarded
    def _on_thread_end(self, reason: str) -> None:
        self._post(self._thread_ended, reason)


class MqttPublisher:
    """A publisher to one MQTT 5 broker.

    Args:
        settings: where and how.
        will: makes, for each connection, the parcel the broker publishes when it ends without a farewell.
        pause: waits so many real seconds between attempts; for tests.
        report: told one line when the connection comes, goes or cannot be had.
        ears: what it listens to; None for nothing.
    """

    def __init__(
        self,
        settings: MqttSettings,
        will: Callable[[], Parcel] | None = None,
        *,
        pause: Callable[[float], Awaitable[None]] = asyncio.sleep,
        report: Callable[[str], None] = log.info,
        ears: Ears | None = None,
    ) -> None:
        self._settings = settings
        self._will = will
        self._pause = pause
        self._report = report
        self._ears = ears
        self._connection: _Connection | None = None
        self._connecting = asyncio.Lock()
        self._slots = asyncio.Semaphore(0)
        self._failures = 0
        self._connections = 0
        self._attempts: list[_Connection] = []  # those whose last octets are still under way
        self._ended_bytes = 0
        self._since_s = 0.0

    @property
    def connected(self) -> bool:
        """Whether a parcel handed over now would be sent."""
        return self._connection is not None and not self._connection.over.done()

    @property
    def connections(self) -> int:
        """How many connections there have been, the present one included."""
        return self._connections

    @property
    def wire_bytes(self) -> int:
        """What all connections so far have cost, both ways; see ``wire``."""
        ended = [one for one in self._attempts if one.thread_over.done()]
        self._ended_bytes += sum(one.wire_bytes for one in ended)
        self._attempts = [one for one in self._attempts if one not in ended]
        return self._ended_bytes + sum(one.wire_bytes for one in self._attempts)

    @property
    def limit_bytes(self) -> int:
        """Largest body accepted: the configured one, or the broker's where that is smaller."""
        return self._connection.limit_bytes if self._connection is not None else self._settings.message_limit_bytes

    async def connect(self) -> None:
        """Return once connected. Tries for ever, with growing pauses, until it is or until cancelled."""
        async with self._connecting:
            while not self.connected:
                if self._failures:
                    await self._pause(self._settings.backoff.pause_s(self._failures))
                await self._try_once()

    async def _try_once(self) -> None:
        self._failures += 1
        try:
            connection = _Connection(self._settings, self._will() if self._will is not None else None, self._ears)
        except OSError as error:  # certificates; they may be put right while we run
            self._report(f"{self._settings.tls}: {error}")
            return
        self._attempts.append(connection)
        connection.start()
        await self._wait_for_welcome(connection)
        if connection.over.done():
            self._report(f"{self._settings.host}:{self._settings.port}: {connection.over.result()}")
        else:
            self._adopt(connection)

    async def _wait_for_welcome(self, connection: _Connection) -> None:
        either: list[asyncio.Future[Any]] = [connection.welcomed, connection.over]
        timeout_s = self._settings.connect_timeout_s
        try:
            done, _ = await asyncio.wait(either, timeout=timeout_s, return_when=asyncio.FIRST_COMPLETED)
        except asyncio.CancelledError:
            connection.abort("given up")
            raise
        if not done:
            connection.abort(f"no welcome from the broker within {timeout_s:g} s")

    def _adopt(self, connection: _Connection) -> None:
        self._connection = connection
        self._connections += 1
        self._slots = asyncio.Semaphore(connection.window)
        self._since_s = asyncio.get_running_loop().time()
        connection.over.add_done_callback(self._gone)
        self._report(f"{self._settings.host}:{self._settings.port}: connected, window {connection.window}")

    def _gone(self, over: "asyncio.Future[str]") -> None:
        lasted_s = asyncio.get_running_loop().time() - self._since_s
        if lasted_s >= self._settings.backoff.steady_s:
            self._failures = 1
        self._report(f"{self._settings.host}:{self._settings.port}: {over.result()}")

    async def lost(self) -> str:
        """Return once there is no connection (any more), with the reason."""
        if self._connection is None:
            return "not connected yet"
        return await asyncio.shield(self._connection.over)

    async def deliver(self, batch: Sequence[Parcel]) -> tuple[Outcome, ...]:
        """Send parcels in order and wait for the answers; one outcome for each.

        A parcel above the size bound is refused without being sent. When the
        connection ends, everything unanswered is ``Lost`` and the rest ``NotSent``.
        Several callers may deliver at once; they share the window.
        """
        connection = self._connection
        if connection is None:
            return tuple(NotSent(reason="not connected yet") for _ in batch)
        tasks = [asyncio.ensure_future(self._deliver_one(connection, self._slots, parcel)) for parcel in batch]
        try:
            return tuple(await asyncio.gather(*tasks))
        except asyncio.CancelledError:
            for task in tasks:
                task.cancel()
            raise

    async def _deliver_one(self, connection: _Connection, slots: asyncio.Semaphore, parcel: Parcel) -> Outcome:
        if len(parcel.body) > connection.limit_bytes:
            return Refused(
                reason=f"{parcel.label or parcel.channel.value} has {len(parcel.body)} bytes, allowed are"
                f" {connection.limit_bytes}; send smaller batches or raise message_limit_bytes and the broker's limit"
            )
        async with slots:  # first come, first served: the order of the batch is the order on the wire
            answer = connection.send(parcel)
            await asyncio.wait([answer], timeout=self._settings.answer_timeout_s)
            if not answer.done():
                connection.abort(f"no acknowledgement within {self._settings.answer_timeout_s:g} s")
            return await answer

    async def close(self, farewell: Parcel | None = None) -> None:
        """Send the farewell if connected, then end in order; at most two answer time-outs."""
        if self._connection is None:
            return
        if farewell is not None and self.connected:
            await self.deliver([farewell])
        await self._connection.farewell(self._settings.answer_timeout_s)


def _topic(settings: MqttSettings, channel: Channel) -> str:
    return f"{settings.topic_prefix}/{channel.value}"


def _properties(parcel: Parcel, packet: int = PacketTypes.PUBLISH) -> Properties:
    properties = Properties(packet)  # type: ignore[no-untyped-call]  # the library's constructor has no types
    properties.ContentType = parcel.content_type
    if parcel.expires_s is not None:
        properties.MessageExpiryInterval = parcel.expires_s
    return properties


def _bounds(properties: Properties | None) -> dict[str, int]:
    """The two bounds a broker may state in its welcome, as far as it does."""
    names = ("ReceiveMaximum", "MaximumPacketSize")
    return {name: int(getattr(properties, name)) for name in names if hasattr(properties, name)}


def _tls_context(tls: Tls) -> ssl.SSLContext:
    """A context that always checks the broker's name and certificate, TLS 1.2 or later.

    Raises:
        OSError: a file is missing or is no certificate; names the file.
    """
    context = ssl.create_default_context(cafile=tls.ca_file)
    context.minimum_version = ssl.TLSVersion.TLSv1_2
    if tls.certificate_file is not None:
        context.load_cert_chain(tls.certificate_file, tls.key_file)
    return context
