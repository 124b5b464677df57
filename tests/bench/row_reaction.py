"""Row d: how long it takes from a reading that trips to the permit withdrawn on the wire, idle and under load.

The real field process against a device that stamps its own replies and the
writes it gets (``modbus_peer``), both on one clock. From what is measured the
interlock's own delay is taken off; what is left has the wait for the next
scan in it. The device takes between nothing and 0.4 s for a reply, so that
replies fall into every phase of the scan.

Under load means all at once: a backlog of more than three days goes up to a
broker by the real uplink process, a client of the local socket asks for
everything and reads nothing, and every commit takes 0.3 s longer
(``slow_disk``). Afterwards it is checked that the backlog was really being drained to the end, and that
the stuck client was there. A last run, idle, has many times the readings and
alarms.
"""

import math
import select
import socket
import threading
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack, contextmanager
from pathlib import Path
from statistics import median

from gateway.local import frames
from gateway.local.messages import AskHistory, Hello, Watch
from gateway.store import positions
from gateway.store.database import Database
from gateway.store.migrations import UPLINK
from tests.bench import made_record, modbus_peer, trip_site
from tests.bench.frame import Figure, Goal, Scale
from tests.bench.modbus_peer import Peer, Trip
from tests.bench.processes import field_process, processor_s, python_process, scratch_folder, wait_until
from tests.mosquitto import broker

SYNC_S = 0.3
BACKLOG_H = 144  # twice the three days, so that a fast uplink has not done before the last trip
GRACE_MS = 50
SHORT_BACKLOG_H = 24  # an hour keeps the uplink busy for less than it takes to say so
_TRIPS, _TRIPS_SHORT = 120, 6
_UPLINK_BUSY_S = 1.0  # of processor: by then it has started, connected, and unpacks
_STUCK_FOR_S = 8.0  # a client that does not read is dropped after 5 s
_MS = 1_000


def measure(scale: Scale) -> Sequence[Figure]:
    """Trips idle, under load, and idle with many times the readings and alarms."""
    enough = _TRIPS_SHORT if scale.short else _TRIPS
    with scratch_folder() as folder:
        idle = _idle(folder / "idle", enough)
        large = [] if scale.short else _idle(folder / "large", enough // 3, times=scale.times[-1])
        loaded = _loaded(folder / "loaded", enough, backlog_h=SHORT_BACKLOG_H if scale.short else BACKLOG_H)
    return [
        *_figures("idle", idle, scale.rounds),
        *_figures("loaded", loaded, scale.rounds),
        *(_figures(f"idle, {scale.times[-1]} times the tags", large, scale.rounds)[:2] if large else ()),
    ]


def _idle(folder: Path, enough: int, *, times: int = 1) -> list[Trip]:
    with ExitStack() as running:
        peer, ports, play = running.enter_context(modbus_peer.running(trip_site.CHANNELS, len(trip_site.CONNECTIONS)))
        loaded = trip_site.write_site(folder, ports=ports, times=times)
        made_record.fill(loaded, folder / "record" / "plant.db")
        running.enter_context(field_process(folder))
        return _trips(peer, play, enough)


def _loaded(folder: Path, enough: int, *, backlog_h: int) -> list[Trip]:
    folder.mkdir()
    with ExitStack() as running:
        peer, ports, play = running.enter_context(modbus_peer.running(trip_site.CHANNELS, len(trip_site.CONNECTIONS)))
        office = running.enter_context(broker(folder))
        loaded = trip_site.write_site(folder, ports=ports, uplink=trip_site.to_broker(office.port))
        hour = made_record.moving_chunks(trip_site.MOVING, 3_600, configuration=loaded.hash)
        backlog = made_record.fill(loaded, folder / "record" / "plant.db", made_record.repeated(hour, backlog_h))
        running.enter_context(field_process(folder, "tests.bench.slow_disk", str(SYNC_S)))
        stuck = running.enter_context(_stuck_reader(folder / "record" / "field.sock"))
        uplink = running.enter_context(python_process(folder / "uplink.log", "-m", "gateway", "uplink", str(folder)))
        wait_until(lambda: processor_s(uplink.pid) > _UPLINK_BUSY_S, "the uplink at work")
        trips = _trips(peer, play, enough)
    _refuse_too_little(folder, backlog.samples, stuck, short=backlog_h < BACKLOG_H)
    return trips


def _trips(peer: Peer, play: Callable[[], None], enough: int) -> list[Trip]:
    wait_until(lambda: peer.first_write_s is not None and peer.given, "the permits given")
    play()
    wait_until(lambda: len(peer.trips) >= enough, f"{enough} trips", within_s=5.0 * enough + 60.0, look_s=0.1)
    return peer.trips[:enough]


def _refuse_too_little(folder: Path, samples: int, stuck: list[bool], *, short: bool) -> None:
    """The load must have been one until the last trip, or the figures say nothing."""
    database = Database(folder / "record" / "uplink.db", UPLINK, utc_ms=0)
    try:
        with database.reader() as reader:
            position = positions.get(reader, reader="mqtt", stream="samples")
    finally:
        database.close(10.0)
    assert position is not None, "the uplink has delivered nothing"
    assert short or position.n < samples, f"the backlog of {samples} was drained before the last trip"
    assert short or any(stuck), "the stuck client was never dropped, so it was not stuck"


@contextmanager
def _stuck_reader(path: Path) -> Iterator[list[bool]]:
    """A client that asks for everything and reads nothing; it comes again when it has been dropped."""
    dropped: list[bool] = []
    over = threading.Event()
    asks = (Hello(client="stuck"), Watch(), AskHistory(id=1, stream="samples", after_n=0))

    def be_stuck() -> None:
        while not over.is_set():
            with socket.socket(socket.AF_UNIX) as client:
                client.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4_096)
                client.connect(str(path))
                client.sendall(b"".join(map(frames.encode, asks)))
                over.wait(_STUCK_FOR_S)
                dropped.append(_hung_up(client))

    thread = threading.Thread(target=be_stuck, daemon=True)
    thread.start()
    try:
        yield dropped
    finally:
        over.set()
        thread.join()


def _hung_up(client: socket.socket) -> bool:
    watch = select.poll()
    watch.register(client, select.POLLHUP)
    return any(event & select.POLLHUP for _, event in watch.poll(0))


# --- figures ---------------------------------------------------------------------------------------------------


def _figures(state: str, trips: Sequence[Trip], rounds: int) -> list[Figure]:
    from_reply = [(one.written_s - one.replied_s) * _MS - _delay_ms(one) for one in trips]
    from_register = [(one.written_s - one.changed_s) * _MS - _delay_ms(one) for one in trips]
    at_once = [took for took, one in zip(from_reply, trips, strict=True) if not _delay_ms(one)]
    delayed = [took for took, one in zip(from_reply, trips, strict=True) if _delay_ms(one)]
    goal = Goal(at_most=trip_site.SCAN_S * _MS + GRACE_MS)
    said = f"{len(trips)} trips of {trip_site.CHANNELS} interlocks, half of them with a delay of one scan period"
    figures = [
        _median(f"reply to write, median, {state}", from_reply, rounds),
        _late(f"reply to write, 99 %, {state}", from_reply, goal, said),
        _late(f"register to write, 99 %, {state}", from_register, None, f"polled every {trip_site.CAUSE_POLL_S:g} s"),
        _median(f"register to write, median, {state}", from_register, rounds),
    ]
    parts = {"without a delay": at_once, "with a delay of one period": delayed}
    return [*figures, *(_late(f"  of it {what}, {state}", took, None, "") for what, took in parts.items() if took)]


def _delay_ms(trip: Trip) -> float:
    return trip_site.DELAYS_S[trip.channel] * _MS


def _median(name: str, took_ms: Sequence[float], rounds: int) -> Figure:
    """One value a round, of trips that follow each other."""
    size = max(1, len(took_ms) // rounds)
    pieces = [took_ms[start : start + size] for start in range(0, rounds * size, size)]
    return Figure(name=name, unit="ms", gateway=[median(piece) for piece in pieces if piece])


def _late(name: str, took_ms: Sequence[float], goal: Goal | None, remark: str) -> Figure:
    """Of all trips together: a round has too few for one in a hundred."""
    ordered = sorted(took_ms)
    value = ordered[math.ceil(0.99 * len(ordered)) - 1]
    return Figure(name=name, unit="ms", gateway=[value], goal=goal, remark=remark)
