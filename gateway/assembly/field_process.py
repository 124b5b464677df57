"""The process at the plant. Nothing in it knows a network to the outside."""

import asyncio
import gc
import logging
from collections.abc import Awaitable, Callable, Mapping
from pathlib import Path
from random import Random

from gateway import __version__
from gateway.assembly.life import FAILED, clock_of, until_its_end
from gateway.configuration.plant import LoadedSite, load_site
from gateway.configuration.poll_plan import plan_blocks
from gateway.configuration.reading import canonical_text
from gateway.configuration.schema import OutputBlock as OutputBlockKeys
from gateway.core.request import Answer
from gateway.core.state import rules_of
from gateway.drivers.driver import Block, Table
from gateway.drivers.modbus.connection import ModbusConnection
from gateway.field.actuation import Actuation, OutputBlock
from gateway.field.answering import AnswerDesk
from gateway.field.backoff import BackOff
from gateway.field.beginning import Beginning, begin
from gateway.field.clock import Clock, boot_id
from gateway.field.corrected import CorrectedEntries
from gateway.field.housekeeping import Housekeeper, Keeping
from gateway.field.image import InputImage
from gateway.field.own_tags import OwnTags, Sources, rows_waiting
from gateway.field.polling import Poller
from gateway.field.reconfigured import Signature, changed_since
from gateway.field.recording import Identity, Recorder
from gateway.field.scanning import Scanner
from gateway.field.serving import Server
from gateway.field.site import History, LiveTelling, Parts, run, status
from gateway.local.messages import Hello
from gateway.starting import say_accepted
from gateway.stopping import stopped_by_signals
from gateway.store import beginnings, configurations
from gateway.store.ballast import Ballast, opened_with
from gateway.store.database import Database
from gateway.store.migrations import PLANT
from gateway.store.scan_state import to_bytes

DATABASE = "plant.db"

_BALLAST_BYTES = 8_388_608
_READERS = ("mqtt", "influx", "calling")  # whose positions are kept
_RETRY_FIRST_S, _RETRY_CEILING_S = 1.0, 30.0

_log = logging.getLogger(__name__)


def field_process(folder: Path) -> int:
    """The process at the plant, until a signal. Returns the exit code.

    When the clock page, the store or the socket is taken or broken, the log says so.

    Raises:
        Refused: the site folder cannot be used.
    """
    loaded = load_site(folder)
    say_accepted()
    return until_its_end(lambda: _run(loaded))


async def _run(loaded: LoadedSite) -> int:
    parts = field_parts(loaded, clock_of(loaded, field_process=True))
    gc.collect()
    gc.freeze()  # rules and modules stay for good: no collection has to walk them again while a scan waits
    stopped = asyncio.Event()
    with stopped_by_signals(stopped.set):
        in_order = await run(parts, stopped, ready=lambda: _log.info("field process of %s runs", loaded.site.site.id))
    return 0 if in_order else FAILED


def field_parts(loaded: LoadedSite, clock: Clock) -> Parts:
    """Everything that runs in the field process. Needs a running event loop; opens the store, connects nothing.

    Raises:
        StoreError: the store cannot be opened.
    """
    keys, rules, now = loaded.site.site, rules_of(loaded.plant), clock.now()
    path = loaded.resolve(loaded.site.place.storage_folder) / DATABASE
    ballast = Ballast(path.with_suffix(".ballast"), _BALLAST_BYTES)
    database = opened_with(ballast, lambda: Database(path, PLANT, utc_ms=now.utc_ms))
    _keep_configuration(database, loaded)
    booted = boot_id()
    keys = loaded.site.site
    signature = Signature(person=keys.changed_by, because=keys.changed_because)
    changed = changed_since(database, loaded.hash, canonical_text(loaded.site), signature)
    beginning = begin(database, rules, now=now, boot_id=booted, version=__version__, changed=changed)
    _keep_beginning(database, beginning, loaded)
    image = InputImage(next_n=beginning.next_sample_n)
    desk = AnswerDesk(image, writable=lambda: recorder.failing_since_ms is None)
    lines = pollers_of(loaded, image, clock)
    pollers = list(lines.values())
    actuation = actuation_of(loaded, image, clock, writing=beginning.state.commissioned is not None)

    def committed(scan: int) -> None:
        desk.committed(scan)
        if actuation is not None:
            actuation.committed(scan)

    recorder = Recorder(
        database=database,
        identity=Identity(run=database.opened.run, boot_id=booted, configuration=loaded.hash),
        clock=clock,
        interval_ms=round(keys.commit_interval_s * 1_000),
        first_entry_n=beginning.next_entry_n,
        again=BackOff(first_s=_RETRY_FIRST_S, ceiling_s=_RETRY_CEILING_S, random=Random()),  # noqa: S311 - jitter
        on_commit=committed,
        on_full=lambda: housekeeper.disk_full(),  # noqa: PLW0108 - made below
    )
    telling = LiveTelling(image)
    scanner = Scanner(
        rules=rules,
        state=beginning.state,
        beginnings=beginning.events,
        image=image,
        clock=clock,
        period_ms=round(keys.scan_period_s * 1_000),
        actuation=actuation,
        pollers=pollers,
        recorder=recorder,
        tell=telling.tell,
        answer=desk.answered,
    )
    housekeeper = Housekeeper(
        database=database, keeping=_keeping(loaded), clock=clock, ballast=ballast, tell=scanner.journal
    )
    history = History(database, _READERS)
    telling.server = Server(
        path=loaded.resolve(loaded.site.place.socket),
        hello=lambda: _hello(loaded, database, clock),
        status=lambda: status(parts),
        submit=CorrectedEntries(database, desk.submit).submit,
        read_history=history.read,
        confirmed=history.confirm,
        persons_of=_persons(loaded),
        submit_afar=_afar(loaded, database, desk, scanner, clock),
    )
    parts = Parts(
        clock=clock,
        image=image,
        database=database,
        scanner=scanner,
        recorder=recorder,
        housekeeper=housekeeper,
        desk=desk,
        pollers=pollers,
        actuation=actuation,
        server=telling.server,
        own_tags=own_tags_of(
            loaded, lines=lines, recorder=recorder, scanner=scanner, database=database, image=image, clock=clock
        ),
    )
    return parts


def _keeping(loaded: LoadedSite) -> Keeping:
    uplink = loaded.site.uplink
    receivers = {"mqtt": uplink.mqtt, "influx": uplink.influx}  # each must have a reading before it may go
    return Keeping(
        readers=tuple(reader for reader, keys in receivers.items() if keys is not None),
        keep_days=loaded.site.site.keep_days,
        limit_bytes=round(loaded.site.place.record_limit_mb * 1_000_000),
    )


def _keep_configuration(database: Database, loaded: LoadedSite) -> None:
    """Every configuration that decisions were made under stays fetchable by its hash."""
    document = canonical_text(loaded.site).encode("ascii")
    database.submit(
        lambda transaction: configurations.keep(transaction, configuration=loaded.hash, document=document)
    ).result()


def _keep_beginning(database: Database, beginning: Beginning, loaded: LoadedSite) -> None:
    """The state a run begins with, so that what it decides can be decided again."""
    begun = beginnings.Begun(
        run=database.opened.run,
        said=len(beginning.events),
        configuration=loaded.hash,
        state=to_bytes(beginning.state),
    )
    database.submit(lambda transaction: beginnings.keep(transaction, begun)).result()


def _hello(loaded: LoadedSite, database: Database, clock: Clock) -> Hello:
    return Hello(
        site=loaded.site.site.id,
        site_name=loaded.site.site.name,
        store=database.opened.store,
        run=database.opened.run,
        configuration=loaded.hash,
        rate=clock.rate,
    )


def _afar(
    loaded: LoadedSite, database: Database, desk: AnswerDesk, scanner: Scanner, clock: Clock
) -> Callable[[bytes], Awaitable[Answer]] | None:
    """Takes requests from afar; None where nobody has a key."""
    if all(one.afar_key is None for one in loaded.site.people.values()):
        return None
    from gateway.field.afar import AfarDesk, Correspondent  # noqa: PLC0415 - only those who use it load signatures

    people = {
        name: Correspondent(role=one.role, key=one.afar_key)
        for name, one in loaded.site.people.items()
        if one.afar_key is not None
    }
    site = loaded.site.site.id
    taken = AfarDesk(
        site=site, people=people, database=database, submit=desk.submit, journal=scanner.journal, now=clock.now
    )
    return taken.submit


def _persons(loaded: LoadedSite) -> Callable[[int], Mapping[str, str]]:
    def persons_of(user: int) -> Mapping[str, str]:
        return {name: one.role for name, one in loaded.site.people.items() if user in one.local_users}

    return persons_of


def pollers_of(loaded: LoadedSite, image: InputImage, clock: Clock) -> dict[str, Poller]:
    """One poller for each connection that has tags, by its name."""
    pollers = {}
    for name, keys in loaded.site.connections.items():
        blocks = plan_blocks(connection=name, devices=loaded.site.devices, tags=loaded.site.tags)
        if blocks:
            connection = ModbusConnection(
                name, keys, real_timeout_s=clock.real_timeout_s, real_pause_s=clock.real_pause_s
            )
            devices = [device for device in loaded.site.devices.values() if device.connection == name]
            pollers[name] = Poller(
                connection=connection,
                blocks=blocks,
                scalings=loaded.scalings,
                image=image,
                clock=clock,
                constants={one.unit_id: one.test_constant.tag for one in devices if one.test_constant is not None},
                pauses={one.unit_id: one.pause_s for one in devices},
            )
    return pollers


def _failing_s(recorder: Recorder, clock: Clock) -> float:
    since_ms = recorder.failing_since_ms
    return 0.0 if since_ms is None else (clock.now().monotonic_ms - since_ms) / 1_000


def own_tags_of(
    loaded: LoadedSite,
    *,
    lines: Mapping[str, Poller],
    recorder: Recorder,
    scanner: Scanner,
    database: Database,
    image: InputImage,
    clock: Clock,
) -> OwnTags | None:
    """What the gateway tells about itself; None where nothing of that is declared."""
    site, readers = loaded.site, _keeping(loaded).readers
    if not site.own_tags:
        return None
    sources = Sources(
        lines=lines,
        devices={name: (device.connection, device.unit_id) for name, device in site.devices.items()},
        rows_waiting=lambda: rows_waiting(database, readers),
        record_failing_s=lambda: _failing_s(recorder, clock),
        checks_overdue=lambda: float(len(scanner.checks_overdue())),
        folder=loaded.resolve(site.place.figures_folder),
    )
    return OwnTags(tags=site.own_tags, sources=sources, image=image, clock=clock)


def actuation_of(loaded: LoadedSite, image: InputImage, clock: Clock, *, writing: bool) -> Actuation | None:
    """The side that writes, on a connection of its own; None for a site without an output block."""
    keys = loaded.site.output_block
    if keys is None:
        return None
    block = output_block_of(loaded, keys)
    connection = ModbusConnection(
        f"{keys.connection} (outputs)",
        loaded.site.connections[keys.connection],
        outputs=[block.block],
        real_timeout_s=clock.real_timeout_s,
        real_pause_s=clock.real_pause_s,
    )
    return Actuation(
        connection=connection, block=block, outputs=loaded.plant.outputs, image=image, clock=clock, writing=writing
    )


def output_block_of(loaded: LoadedSite, keys: OutputBlockKeys) -> OutputBlock:
    """The block the gateway writes, from its keys."""
    first = loaded.site.tags[keys.registers[0]]
    return OutputBlock(
        block=Block(
            unit_id=loaded.site.devices[keys.device].unit_id,
            table=Table.HOLDING,
            address=first.address,
            count=len(keys.registers),
        ),
        registers=keys.registers,
        heartbeat=keys.heartbeat,
        period_s=keys.period_s,
    )
