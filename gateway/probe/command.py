"""``purplegate probe``: the commands and their help, and the order in which things are asked and shown.

Decides what is refused before anything is sent. It writes to no device: its
connections are made without an output block.
"""

import asyncio
import functools
import itertools
import shutil
import signal
import socket
import sys
import time
from collections.abc import Callable, Coroutine, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final, TypeVar

import click

from gateway.configuration.fault import Refused
from gateway.configuration.plant import LoadedSite, load_site
from gateway.configuration.schema import SerialConnection
from gateway.drivers.driver import Block, Table
from gateway.drivers.errors import NotConnected
from gateway.probe.anchors import AnchorsUnusable, add_anchor, read_anchors
from gateway.probe.asking import Line, Reply, line_to
from gateway.probe.finder import Anchor, Found, candidates
from gateway.probe.registers import Registers, read_range
from gateway.probe.screen import GROUPS, USUAL_GROUPS, View, bit_table, changes, register_table
from gateway.probe.target import (
    LONG_BLOCKS,
    ONE_REGISTER,
    Keys,
    Manner,
    Patience,
    connection_of,
    in_words,
    longest_wait_s,
)
from gateway.probe.units import Unit, scan_units
from gateway.probe.wording import duration, ranking_text, tally_text, unit_text, units_text

FAILED, WRONG_SITE, INTERRUPTED = 1, 3, 130
LAST_ADDRESS: Final = 65_535
LONGEST = {Table.COIL: 2_000, Table.DISCRETE: 2_000, Table.HOLDING: 125, Table.INPUT: 125}
BIT_TABLES = (Table.COIL, Table.DISCRETE)
_BAUD_RATES = ("1200", "2400", "4800", "9600", "19200", "38400", "57600", "115200")
_NARROWEST = 60
_CLEAR_SCREEN = "\x1b[H\x1b[2J"
_CLEAR_LINE = "\r\x1b[K"
_TOLD_EVERY = 50  # unit ids, where nothing can be written over

T = TypeVar("T")


@dataclass(frozen=True, slots=True, kw_only=True)
class Where:
    """A device connection that was named.

    Args:
        name: for messages.
        keys: the connection.
        site: where it was declared; None for a target.
    """

    name: str
    keys: Keys
    site: LoadedSite | None

    def manners(self, unit_id: int) -> tuple[int, int | None]:
        """Longest read and first number of the manual, as the site declares them for this unit."""
        devices = self.site.site.devices.values() if self.site is not None else ()
        for device in devices:
            if (device.connection, device.unit_id) == (self.name, unit_id):
                return device.longest_read, device.manual_counts_from or None
        return LONGEST[Table.HOLDING], None


@click.group()
def probe() -> None:
    """Look at a device on site: who is there, what stands in it, where a displayed value lies.

    Reads only: the connection is made without anything that could be written.

    TARGET is HOST:PORT, or the path of a serial port. With --connection
    instead, a connection of a site is used as it is declared there.

    A device that allows one connection, and every serial port, must be freed
    first: stop the gateway that holds it.
    """


# --- where ---


def _where_options(patience: Patience) -> Callable[[Callable[..., None]], Callable[..., None]]:
    """Options that say where; the command gets them as ``where``, None when nothing was said."""

    def with_options(command: Callable[..., None]) -> Callable[..., None]:
        @functools.wraps(command)
        def wrapped(**said: Any) -> None:
            place = {name: said.pop(name) for name in ("target", "site", "connection")}
            names = ("framing", "baud_rate", "parity", "stop_bits", "reply_timeout_s", "pause_s")
            manner = Manner(**{name: said.pop(name) for name in names})
            command(where=_where(manner, patience, **place), **said)

        for option in reversed(_WHERE):
            wrapped = option(wrapped)
        return wrapped

    return with_options


_WHERE: Sequence[Callable[[Callable[..., None]], Callable[..., None]]] = (
    click.argument("target", required=False),
    click.option("--framing", type=click.Choice(["tcp", "rtu_over_tcp"]), help="Of HOST:PORT.  [default: tcp]"),
    click.option("--baud-rate", type=click.Choice(_BAUD_RATES), help="Of a serial port.  [default: 9600]"),
    click.option("--parity", type=click.Choice(["none", "even", "odd"]), help="Of a serial port.  [default: even]"),
    click.option("--stop-bits", type=click.Choice(["1", "2"]), help="Of a serial port.  [default: 1]"),
    click.option(
        "--reply-timeout",
        "reply_timeout_s",
        type=click.FloatRange(0.05, 30),
        help="Seconds to wait for a reply.  [default: 0.5 for units, else 1; more on a slow line]",
    ),
    click.option("--pause", "pause_s", type=click.FloatRange(0, 10), help="Seconds of silence between two requests."),
    click.option(
        "--site",
        type=click.Path(exists=True, file_okay=False, path_type=Path),
        envvar="PURPLEGATE_SITE",
        default=".",
        show_default="the current folder, or PURPLEGATE_SITE",
        help="Site folder, for --connection.",
    ),
    click.option("--connection", help="Connection of the site, used as declared there."),
)


def _where(manner: Manner, patience: Patience, target: str | None, site: Path, connection: str | None) -> Where | None:
    if (target is None) == (connection is None):
        if target is None:
            return None
        raise click.UsageError("a TARGET and --connection were given; give one of them")
    manner = _numbers(manner)
    if connection is not None:
        return _declared(site, connection, manner)
    assert target is not None  # noqa: S101 - one of the two is there
    try:
        return Where(name=target, keys=connection_of(target, manner, patience), site=None)
    except ValueError as fault:
        raise click.UsageError(str(fault)) from fault


def _numbers(manner: Manner) -> Manner:
    """Choices of the command line are text."""
    baud_rate, stop_bits = (int(one) if one is not None else None for one in (manner.baud_rate, manner.stop_bits))
    return Manner(
        framing=manner.framing,
        baud_rate=baud_rate,
        parity=manner.parity,
        stop_bits=stop_bits,
        reply_timeout_s=manner.reply_timeout_s,
        pause_s=manner.pause_s,
    )


def _declared(folder: Path, name: str, manner: Manner) -> Where:
    if manner != Manner(reply_timeout_s=manner.reply_timeout_s):
        raise click.UsageError(
            f"--connection {name} is used as declared; leave out what describes the line (--reply-timeout may stay)"
        )
    try:
        loaded = load_site(folder)
    except Refused as refused:
        click.echo(f"{refused}\n\nCorrect the site first, or name the device as TARGET.", err=True)
        sys.exit(WRONG_SITE)
    keys = loaded.site.connections.get(name)
    if keys is None:
        known = ", ".join(loaded.site.connections) or "none"
        raise click.UsageError(f"--connection {name}: the site has no such connection; it has {known}")
    _refuse_busy(loaded, name, keys)
    if manner.reply_timeout_s is not None:
        keys = keys.model_copy(update={"reply_timeout_s": manner.reply_timeout_s})
    return Where(name=name, keys=keys, site=loaded)


def _refuse_busy(loaded: LoadedSite, name: str, keys: Keys) -> None:
    """A line that can be held once only is not touched while the gateway holds it."""
    if not _gateway_runs(loaded.resolve(loaded.site.place.socket)):
        return
    if keys.single or isinstance(keys, SerialConnection):
        why = "is a serial port" if isinstance(keys, SerialConnection) else "allows one connection (single)"
        click.echo(f"{name} {why} and the gateway of this site is running. Stop it, then probe.", err=True)
        sys.exit(FAILED)
    click.echo(
        "The gateway of this site is running and polls the same devices: reply times include its share.", err=True
    )


def _gateway_runs(path: Path) -> bool:
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as trial:
        try:
            trial.connect(str(path))
        except OSError:
            return False
    return True


def _needed(where: Where | None) -> Where:
    if where is None:
        raise click.UsageError("where? Give a TARGET (HOST:PORT or the path of a serial port), or --connection")
    return where


def _run(where: Where, job: Callable[[Line], Coroutine[Any, Any, T]]) -> T:
    """Do something on a line that is closed afterwards."""

    async def within() -> T:
        line = line_to(where.name, where.keys)
        try:
            return await job(line)
        finally:
            await line.close()

    return asyncio.run(within())


def _fail(where: Where, why: NotConnected) -> None:
    """Say what is wrong with a connection, and end."""
    click.echo(f"{why}\n{_WHY_NOT_CONNECTED}", err=True)
    click.echo(f"asked was {in_words(where.keys)}", err=True)
    sys.exit(FAILED)


_WHY_NOT_CONNECTED = (
    "Is the address right, and is the device on? One that allows a single connection must be freed first: "
    "stop the gateway or the tool that holds it."
)


# --- ranges ---


class Range(click.ParamType[range]):
    """FIRST-LAST or one number."""

    name = "FIRST-LAST"

    def __init__(self, least: int, most: int) -> None:
        self.least, self.most = least, most

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> range:
        """A range object; fails for anything else."""
        first, dash, last = str(value).partition("-")
        ends = [first, last] if dash else [first, first]
        if not all(end.isascii() and end.isdecimal() for end in ends):
            self.fail(f"{value!r} is no range; write FIRST-LAST, such as 0-99, or one number", param, ctx)
        low, high = int(ends[0]), int(ends[1])
        if not self.least <= low <= high <= self.most:
            self.fail(f"{value} lies outside {self.least} to {self.most}, or runs backwards", param, ctx)
        return range(low, high + 1)


_TABLES = click.Choice([table.value for table in Table])
_unit_option = click.option(
    "--unit", "unit_id", type=click.IntRange(1, 255), required=True, help="Unit id of the device."
)
_longest_option = click.option(
    "--longest", type=click.IntRange(1, 2_000), help="Most registers in one request, for a device that refuses more."
)
_counts_option = click.option(
    "--counts-from",
    type=click.IntRange(0, 499_999),
    help="Number that the manual gives to address 0, such as 40001; shown beside each address.",
)


# --- units ---


@probe.command()
@_where_options(ONE_REGISTER)
@click.option("--units", "unit_ids", type=Range(1, 255), default="1-247", show_default=True, help="Unit ids to ask.")
@click.option("--table", type=_TABLES, default="holding", show_default=True, help="Table of the one read.")
@click.option("--address", type=click.IntRange(0, LAST_ADDRESS), default=0, show_default=True, help="Its address.")
def units(where: Where | None, unit_ids: range, table: str, address: int) -> None:
    """Who is there: ask every unit id with one small read.

    An answer proves a device, and so does a refusal. Ctrl-C prints what was
    found so far. Exit 0 when a device is there, 1 when none is, 130 when
    stopped by hand.
    """
    where = _needed(where)
    wait_s = longest_wait_s(where.keys)
    click.echo(
        f"{in_words(where.keys)}: {len(unit_ids)} unit ids, {duration(wait_s * len(unit_ids))} if nobody answers",
        err=True,
    )
    line = line_to(where.name, where.keys)
    found: list[Unit] = []
    told = _progress(found, len(unit_ids), wait_s)
    code = _scan(line, where, scan_units(line, unit_ids, table=Table(table), address=address, told=told))
    _say_where("")
    click.echo(units_text(found, line.tallies, len(unit_ids)))
    sys.exit(code or (0 if any(unit.there for unit in found) else FAILED))


def _scan(line: Line, where: Where, job: Coroutine[Any, Any, None]) -> int:
    async def within() -> None:
        try:
            await job
        finally:
            await line.close()

    as_before = signal.signal(signal.SIGINT, signal.default_int_handler)  # Ctrl-C ends the asking, not the telling
    try:
        asyncio.run(within())
    except KeyboardInterrupt:
        return INTERRUPTED
    except NotConnected as why:
        if not line.tallies:
            _fail(where, why)
        click.echo(f"{why}", err=True)
        return FAILED
    finally:
        signal.signal(signal.SIGINT, as_before)
    return 0


def _progress(found: list[Unit], wanted: int, wait_s: float) -> Callable[[Unit], None]:
    """Keep each unit, and say how far it is."""

    def told(unit: Unit) -> None:
        found.append(unit)
        if unit.there:
            _say_where("")
            click.echo(unit_text(unit), err=True)
        left = f"{len(found)} of {wanted} asked, at most {duration(wait_s * (wanted - len(found)))} left"
        _say_where(left if len(found) < wanted else "")
        if not sys.stderr.isatty() and len(found) % _TOLD_EVERY == 0 and len(found) < wanted:
            click.echo(left, err=True)

    return told


def _say_where(text: str) -> None:
    """How far it is: on a terminal one line that is written over, and taken away with an empty text."""
    if sys.stderr.isatty():
        click.echo(f"{_CLEAR_LINE}{text}\r", nl=False, err=True)


# --- read ---


@probe.command()
@_where_options(LONG_BLOCKS)
@_unit_option
@click.option("--table", type=_TABLES, default="holding", show_default=True, help="Which table.")
@click.option("--addresses", type=Range(0, LAST_ADDRESS), default="0-9", show_default=True, help="Zero-based.")
@_longest_option
@_counts_option
@click.option("--scale", type=float, default=1.0, help="What whole numbers are multiplied by.")
@click.option(
    "--show",
    default=",".join(USUAL_GROUPS),
    show_default=True,
    help=f"Groups of columns, of {', '.join(GROUPS)}.",
)
@click.option("--watch", "watch_s", type=click.FloatRange(0.1, 3_600), help="Read again every so many seconds.")
@click.option("--rounds", type=click.IntRange(1), help="End after so many rounds of --watch.")
def read(
    *,
    where: Where | None,
    unit_id: int,
    table: str,
    addresses: range,
    longest: int | None,
    counts_from: int | None,
    scale: float,
    show: str,
    watch_s: float | None,
    rounds: int | None,
) -> None:
    """Read registers or bits and show every decode of them side by side.

    A number that can be no measurement is shown short: ~0, ~e27, nan. With
    --watch, a star marks what changed since the last round; Ctrl-C ends.
    """
    where = _needed(where)
    declared_longest, declared_from = where.manners(unit_id)
    counts_from = declared_from if counts_from is None else counts_from
    wanted = Table(table)
    most = min(longest or (declared_longest if wanted not in BIT_TABLES else LONGEST[wanted]), LONGEST[wanted])
    groups = _groups(show)
    line = line_to(where.name, where.keys)
    view = View(groups=groups, width=_width(), counts_from=counts_from, scale=scale)
    turns = 1 if watch_s is None else rounds

    def shown(found: Registers, before: Registers | None) -> None:
        text = bit_table if wanted in BIT_TABLES else register_table
        _show_round(text(found, view, changes(before, found)), watched=watch_s is not None)

    async def rounds_of_reading() -> None:
        before = None
        for turn in itertools.count(1):
            began_s = time.monotonic()
            found = await _read_addresses(line, unit_id, wanted, addresses, most)
            shown(found, before)
            before = found
            if turn == turns:
                return
            await asyncio.sleep(max(0.0, (watch_s or 0.0) - (time.monotonic() - began_s)))

    code = _scan(line, where, rounds_of_reading())
    if line.tallies:
        click.echo(f"\nunit {unit_id}: {tally_text(line.tallies[unit_id])}")
    by_hand = code == INTERRUPTED and watch_s is not None  # the usual end of watching
    sys.exit(0 if by_hand else code or (0 if _anything(line, unit_id) else FAILED))


def _anything(line: Line, unit_id: int) -> bool:
    return unit_id in line.tallies and bool(line.tallies[unit_id].took_s)


def _groups(show: str) -> tuple[str, ...]:
    groups = tuple(one.strip() for one in show.split(","))
    unknown = [one for one in groups if one not in GROUPS]
    if unknown:
        raise click.BadParameter(f"--show has {unknown[0]!r}; allowed are {', '.join(GROUPS)}, with commas between")
    return groups


def _width() -> int:
    return max(_NARROWEST, shutil.get_terminal_size().columns)


def _show_round(text: str, *, watched: bool) -> None:
    """On a terminal a round takes the place of the one before, as far as there are lines; else it follows it."""
    if not watched:
        click.echo(text)
        return
    stamp = datetime.now().astimezone().strftime("%H:%M:%S")
    if not sys.stdout.isatty():
        click.echo(f"{stamp}\n{text}\n")
        return
    room = shutil.get_terminal_size().lines - 3
    lines = text.splitlines()
    more = f"\n{len(lines) - room} more lines: ask for fewer addresses or columns (--show)" if len(lines) > room else ""
    click.echo(_CLEAR_SCREEN + f"{stamp}\n" + "\n".join(lines[:room]) + more)


async def _read_addresses(line: Line, unit_id: int, table: Table, addresses: range, longest: int) -> Registers:
    async def ask(address: int, count: int) -> Reply:
        _say_where(f"{table.value} {address} of {addresses.stop - 1}")
        return await line.read(Block(unit_id=unit_id, table=table, address=address, count=count))

    try:
        return await read_range(ask, first=addresses.start, count=len(addresses), longest=longest)
    finally:
        _say_where("")


# --- find ---


@probe.command()
@_where_options(LONG_BLOCKS)
@click.option("--unit", "unit_id", type=click.IntRange(1, 255), help="Unit id of the device.")
@click.option("--value", "displayed", help="What the display shows, with all its digits: 7.21 means 7.205 to 7.215.")
@click.option(
    "--within", type=click.FloatRange(0), default=0.0, help="What it may move between looking and reading, in its unit."
)
@click.option("--table", "tables", type=click.Choice(["holding", "input"]), multiple=True, help="One only.")
@click.option(
    "--addresses", type=Range(0, LAST_ADDRESS), default="0-199", show_default=True, help="Zero-based; where to look."
)
@_longest_option
@_counts_option
@click.option("--range", "span", type=(float, float), help="LOW HIGH of a 4-20 mA loop: look for its counts as well.")
@click.option(
    "--anchors",
    "file",
    type=click.Path(dir_okay=False, path_type=Path),
    help="Keep value and registers in this file, and find by all that it holds.",
)
@click.option("--show", "most", type=click.IntRange(1, 100), default=5, show_default=True, help="How many.")
def find(
    *,
    where: Where | None,
    unit_id: int | None,
    displayed: str | None,
    within: float,
    tables: tuple[str, ...],
    addresses: range,
    longest: int | None,
    counts_from: int | None,
    span: tuple[float, float] | None,
    file: Path | None,
    most: int,
) -> None:
    """Find the registers that hold a value read on the device's display.

    Many places fit a short number by chance. Run it again with the same
    --anchors file when the display has moved: what fits every time remains.
    Without --value, the file alone is looked at and no device is asked.

    Exit 0 when something fits, 1 when nothing does.
    """
    kept = _kept(file)
    anchors = [anchor for _, anchor in kept]
    if displayed is not None:
        asked = _needed(where)
        if unit_id is None:
            raise click.UsageError("--value needs --unit, the unit id of the device")
        device = f"{asked.name} unit {unit_id}"
        _refuse_other_device(file, device, (line.device for line, _ in kept))
        declared_longest, declared_from = asked.manners(unit_id)
        counts_from = declared_from if counts_from is None else counts_from
        _plain(displayed)
        words = _all_tables(asked, unit_id, tables, addresses, min(longest or declared_longest, 125))
        anchors.append(Anchor(displayed=displayed, within=within, words=words))
    elif not anchors:
        raise click.UsageError("give --value, what the display shows, or --anchors with a file that holds anchors")
    found = _found(anchors, span)
    click.echo(ranking_text(found, anchors, most=most, counts_from=counts_from, span=span))
    if displayed is not None and file is not None:
        _keep(file, anchors[-1], device, fits=bool(found))
    sys.exit(0 if found else FAILED)


def _kept(file: Path | None) -> list[Any]:
    try:
        return read_anchors(file) if file is not None else []
    except AnchorsUnusable as why:
        click.echo(str(why), err=True)
        sys.exit(FAILED)


def _refuse_other_device(file: Path | None, device: str, others: Iterable[str]) -> None:
    other = next((one for one in others if one != device), None)
    if other is not None:
        raise click.UsageError(f"{file} holds anchors of {other}, asked is {device}; take another file for it")


def _plain(displayed: str) -> None:
    try:
        Anchor(displayed=displayed, words={})
    except ValueError as fault:
        raise click.BadParameter(f"--value: {fault}") from fault


def _found(anchors: Sequence[Anchor], span: tuple[float, float] | None) -> list[Found]:
    try:
        return candidates(anchors, span)
    except ValueError as fault:
        raise click.BadParameter(f"--range: {fault}") from fault


def _all_tables(
    where: Where, unit_id: int, tables: Sequence[str], addresses: range, longest: int
) -> Mapping[Table, Mapping[int, int]]:
    wanted = [Table(name) for name in tables or ("holding", "input")]

    async def read_all(line: Line) -> dict[Table, Registers]:
        return {table: await _read_addresses(line, unit_id, table, addresses, longest) for table in wanted}

    try:
        read_now = _run(where, read_all)
    except NotConnected as why:
        _fail(where, why)
        raise  # never reached
    for table, found in read_now.items():
        click.echo(_reading_text(table, found), err=True)
    if not any(found.words for found in read_now.values()):
        click.echo(f"unit {unit_id} hands out none of these registers", err=True)
        sys.exit(FAILED)
    return {table: found.words for table, found in read_now.items() if found.words}


def _reading_text(table: Table, found: Registers) -> str:
    whys = sorted(set(found.holes.values()))
    holes = f"; {len(found.holes)} not: {', '.join(whys)}" if whys else ""
    return f"{table.value}: {len(found.words)} registers read{holes}"


def _keep(file: Path, anchor: Anchor, device: str, *, fits: bool) -> None:
    if not fits:
        click.echo(f"Not kept in {file}: with it nothing fits.", err=True)
        return
    try:
        add_anchor(file, anchor, at=datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%SZ"), device=device)
    except AnchorsUnusable as why:
        click.echo(str(why), err=True)
        sys.exit(FAILED)
    click.echo(f"Kept in {file}.", err=True)
