"""How busy the poll plan keeps each line, and how old a reading on it can become with one device dead.

Pure: it computes from keys alone, and ``purplegate check`` prints and judges
what comes out. How the poller goes about it (``gateway.field.polling``) is the
model: one request at a time; healthy units first, who has waited longest before
the others; a dead unit is asked again only once before all healthy blocks have
had their turn. So the longest wait of a healthy block is one attempt at the
dead device and one request of every other block of the line.

Times of a frame are those of Modbus over Serial Line V1.02: 11 bits a character
(10 without parity and second stop bit), 3.5 characters of silence after a frame
and never less than 1.75 ms above 19200 bits per second.
"""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from itertools import groupby

from gateway.configuration.poll_plan import BIT_TABLES, PlannedBlock, plan_blocks
from gateway.configuration.schema import Connection, Device, SerialConnection, Site

_REQUEST_BYTES = 8  # unit, function, address, count, two of the check sum
_REPLY_BYTES = 5  # unit, function, length, two of the check sum
_SILENT_CHARACTERS = 3.5
_SHORTEST_SILENCE_S = 0.001_75
_FAST_BAUD_RATE = 19_200
_CHARACTER_BITS = 11  # of a line behind a converter, whose parity is not known here


@dataclass(frozen=True, slots=True, kw_only=True)
class ClassLoad:
    """What is asked on a line at one pace.

    Args:
        interval_s: from one reading to the next.
        requests: requests of one round.
        words: registers and bits they bring.
        round_s: seconds the line is taken by one round.
    """

    interval_s: float
    requests: int
    words: int
    round_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class LineLoad:
    """One connection.

    Args:
        connection: its name.
        classes: what is asked at each pace, the fastest first.
        dead: device whose death brings a reading of another nearest to its limit; empty when there is only one.
        cycle_s: longest wait of a reading then, everything being due together.
        tightest: tag of that reading.
        age_s: how old its reading becomes at most.
        stale_s: when it is too old.
    """

    connection: str
    classes: tuple[ClassLoad, ...]
    dead: str
    cycle_s: float
    tightest: str
    age_s: float
    stale_s: float

    @property
    def requests_per_s(self) -> float:
        """Requests a second, all classes together."""
        return sum(each.requests / each.interval_s for each in self.classes)

    @property
    def busy(self) -> float:
        """Share of the time in which the line is taken; above 1 it cannot keep up."""
        return sum(each.round_s / each.interval_s for each in self.classes)


@dataclass(frozen=True, slots=True)
class _Timed:
    planned: PlannedBlock
    device: str
    request_s: float


@dataclass(frozen=True, slots=True)
class _Case:
    dead: str
    cycle_s: float
    tag: str
    age_s: float
    stale_s: float


def line_loads(site: Site) -> tuple[LineLoad, ...]:
    """The load of every connection whose plan can be made, in the order of the files."""
    return tuple(load for name in site.connections for load in _line_load(name, site))


def request_s(planned: PlannedBlock, device: Device, connection: Connection) -> float:
    """Seconds from the beginning of one request until the line may be used again."""
    block = planned.block
    data_bytes = -(-block.count // 8) if block.table in BIT_TABLES else 2 * block.count
    pause_s = max(connection.pause_s, device.pause_s)
    return _frames_s(connection, _REQUEST_BYTES + _REPLY_BYTES + data_bytes) + device.reply_s + pause_s


def _frames_s(connection: Connection, frame_bytes: int) -> float:
    """Seconds for the bytes of request and reply and the silence after each."""
    baud_rate: int
    if isinstance(connection, SerialConnection):
        baud_rate, bits = connection.baud_rate, 9 + (connection.parity != "none") + connection.stop_bits
    else:
        baud_rate, bits = connection.line_baud_rate or 0, _CHARACTER_BITS
    if baud_rate == 0:
        return 0.0
    character_s = bits / baud_rate
    silence_s = _SHORTEST_SILENCE_S if baud_rate > _FAST_BAUD_RATE else _SILENT_CHARACTERS * character_s
    return frame_bytes * character_s + 2 * silence_s


def _line_load(name: str, site: Site) -> Iterator[LineLoad]:
    connection = site.connections[name]
    try:
        blocks = list(_timed(name, site))
    except ValueError:  # a tag that cannot be read at all; another rule says so
        return
    if not blocks:
        return
    worst = min(_worst_cases(blocks, connection, site), key=lambda case: case.stale_s - case.age_s)
    yield LineLoad(
        connection=name,
        classes=tuple(_classes(blocks)),
        dead=worst.dead,
        cycle_s=worst.cycle_s,
        tightest=worst.tag,
        age_s=worst.age_s,
        stale_s=worst.stale_s,
    )


def _timed(name: str, site: Site) -> Iterator[_Timed]:
    for device_name, device in site.devices.items():
        if device.connection != name:
            continue
        for planned in plan_blocks(connection=name, devices={device_name: device}, tags=site.tags):
            yield _Timed(planned, device_name, request_s(planned, device, site.connections[name]))


def _worst_cases(blocks: list[_Timed], connection: Connection, site: Site) -> Iterator[_Case]:
    """Every tag with every device but its own dead; with nobody dead where there is only one."""
    own_s: dict[str, float] = {}
    for block in blocks:
        own_s[block.device] = own_s.get(block.device, 0.0) + block.request_s
    attempt_s = connection.reply_timeout_s + connection.quiet_after_timeout_s + connection.pause_s
    for dead in own_s if len(own_s) > 1 else ("",):
        cycle_s = sum(own_s.values()) - own_s[dead] + attempt_s if dead else sum(own_s.values())
        for block in blocks:
            for tag in block.planned.tags if block.device != dead else ():
                age_s = block.planned.interval_ms / 1_000 + cycle_s
                yield _Case(dead, cycle_s, tag, age_s, site.tags[tag].stale_limit_s)


def _classes(blocks: Iterable[_Timed]) -> Iterator[ClassLoad]:
    def pace(block: _Timed) -> int:
        return block.planned.interval_ms

    for interval_ms, group in groupby(sorted(blocks, key=pace), key=pace):
        members = list(group)
        yield ClassLoad(
            interval_s=interval_ms / 1_000,
            requests=len(members),
            words=sum(block.planned.block.count for block in members),
            round_s=sum(block.request_s for block in members),
        )
