"""Starts the processes of a site, watches them, and stops them in order.

Decides when a process that ended is started again, and that the process at
the plant is stopped before the one towards the outside. Never looks into what
they do, and ends nothing but what it has started itself. Works on real time:
a process takes as long to start whatever the plant's clock says.
"""

import asyncio
import logging
import os
import signal
import socket
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from random import Random

from gateway.starting import ACCEPTED_FD
from gateway.stopping import stopped_by_signals

_LOG = logging.getLogger(__name__)
_JITTER = 0.2
_LONGEST_DELAY_DOUBLINGS = 32
_KILLED_WITHIN_S = 5.0  # the kernel needs this long at most to take a killed process away
_WATCH_FAILED = 70  # exit code: an internal fault
_ENDED_BY_SIGTERM = 128 + signal.SIGTERM
_NOT_FOR_CHILDREN = ("NOTIFY_SOCKET", "WATCHDOG_USEC", "WATCHDOG_PID")


@dataclass(frozen=True, slots=True, kw_only=True)
class Child:
    """One process to keep running.

    Args:
        name: for messages.
        command: program and arguments.
        stop_within_s: real seconds granted after SIGTERM before it is killed.
        final_codes: exit codes after which starting it again is useless, such
            as a refused configuration; everything is stopped then.
        accepts_within_s: real seconds at most that the next child waits, at
            the first start, for this one to say that it has accepted its
            configuration (``starting.say_accepted``); it does not wait
            longer than until this one has ended. 0: it does not wait.
    """

    name: str
    command: tuple[str, ...]
    stop_within_s: float = 15.0
    final_codes: frozenset[int] = frozenset()
    accepts_within_s: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class RestartRule:
    """When a child that ended is started again, in real seconds.

    Args:
        first_s: delay after the first end; it doubles with every further one.
        ceiling_s: the longest delay before jitter of a fifth.
        steady_after_s: a child that ran this long starts again at ``first_s``.
    """

    first_s: float = 1.0
    ceiling_s: float = 30.0
    steady_after_s: float = 60.0


class Notifier:
    """What the service manager is told over its datagram socket; nothing at all when there is none.

    Args:
        environment: where NOTIFY_SOCKET and WATCHDOG_USEC are looked up.

    Attributes:
        watchdog_interval_s: half of what the service manager allows, None when it does not watch.
    """

    def __init__(self, environment: Mapping[str, str]) -> None:
        self._address = environment.get("NOTIFY_SOCKET", "")
        allowed_us = int(environment.get("WATCHDOG_USEC", "0") or "0")
        self.watchdog_interval_s = allowed_us / 2e6 if allowed_us and self._address else None

    def tell(self, state: str) -> None:
        """Send ``READY=1``, ``WATCHDOG=1`` or ``STOPPING=1``; a deaf service manager is logged, never waited for."""
        if not self._address:
            return
        address = "\0" + self._address[1:] if self._address.startswith("@") else self._address
        with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_NONBLOCK) as datagrams:
            try:
                datagrams.sendto(state.encode("ascii"), address)
            except OSError as fault:
                _LOG.warning("service manager at %s did not take %s: %s", self._address, state, fault)


class Supervisor:
    """Keeps the children running until told to stop, or until one ends for good.

    Args:
        children: in the order in which they are started, and stopped: the process at the plant first.
        restart: when one that ended is started again.
        environment: of this process; the children get it without the service manager's variables.
        random: source of the jitter.
    """

    def __init__(
        self,
        children: Sequence[Child],
        *,
        restart: RestartRule | None = None,
        environment: Mapping[str, str] | None = None,
        random: Random | None = None,
    ) -> None:
        own = os.environ if environment is None else environment
        inherited = {name: value for name, value in own.items() if name not in _NOT_FOR_CHILDREN}
        dice = random or Random()  # noqa: S311 - jitter is no secret
        rule = restart or RestartRule()
        self._notifier = Notifier(own)
        self._stop = asyncio.Event()
        self._final_code = 0
        self._keepers = [_Keeper(child, rule, inherited, dice, self._end) for child in children]

    def stop(self) -> None:
        """Begin the orderly stop; ``run`` returns when it is done. Calling it again changes nothing."""
        self._stop.set()
        for keeper in self._keepers:
            keeper.wait_no_longer()

    async def run(self) -> int:
        """Start everything, watch it, and stop it on SIGINT, SIGTERM or ``stop``.

        Returns:
            0 when every child ended as it was told, with 0 or, while it was
            still loading and took no signals yet, by SIGTERM itself; else the
            final code that ended it all, or the first other exit code of a
            child in stopping order, 128 + signal for one that was ended by
            another signal.
        """
        with stopped_by_signals(self.stop):
            try:
                await self._start()
                await self._watch()
            finally:
                self._notifier.tell("STOPPING=1")
                codes = [await keeper.stop() for keeper in self._keepers]
        return self._final_code or next((code for code in codes if code), 0)

    async def _start(self) -> None:
        """One after the other, as long as nothing says stop."""
        for keeper in self._keepers:
            if self._stop.is_set():
                return
            await keeper.start()
            await keeper.until_accepted()
        if not self._stop.is_set():
            self._notifier.tell("READY=1")

    async def _watch(self) -> None:
        """Feed the service manager's watchdog while every child runs, until the stop."""
        while not self._stop.is_set():
            with suppress(TimeoutError):
                async with asyncio.timeout(self._notifier.watchdog_interval_s):
                    await self._stop.wait()
            if self._notifier.watchdog_interval_s and all(keeper.kept for keeper in self._keepers):
                self._notifier.tell("WATCHDOG=1")

    def _end(self, code: int) -> None:
        self._final_code = self._final_code or code
        self.stop()


class _Keeper:
    """One child: its process, and the task that starts it again."""

    def __init__(
        self,
        child: Child,
        rule: RestartRule,
        environment: Mapping[str, str],
        random: Random,
        end: Callable[[int], None],
    ) -> None:
        self._child = child
        self._rule = rule
        self._environment = environment
        self._random = random
        self._end = end
        self._stopping = asyncio.Event()
        self._waited_for = asyncio.Event()  # it has accepted its configuration, or there is nothing to wait for
        self._process: asyncio.subprocess.Process | None = None
        self._task: asyncio.Task[None] | None = None
        self._short_lives = 0  # in a row
        self._code = 0

    @property
    def kept(self) -> bool:
        """Whether somebody still sees to this child."""
        return self._task is not None and not self._task.done()

    async def start(self) -> None:
        """Start the process, and the task that keeps it.

        Raises:
            OSError: the command cannot be started at all.
        """
        if self._child.accepts_within_s:
            process = await self._launch_heard()
        else:
            process = await self._launch()
        self._task = asyncio.create_task(self._keep(process), name=f"keeper of {self._child.name}")
        self._task.add_done_callback(self._keeper_ended)

    async def until_accepted(self) -> None:
        """Wait for what the child says, for its first end, or for as long as the next child may wait at all."""
        if self._child.accepts_within_s:
            with suppress(TimeoutError):
                async with asyncio.timeout(self._child.accepts_within_s):
                    await self._waited_for.wait()

    def wait_no_longer(self) -> None:
        """End ``until_accepted``."""
        self._waited_for.set()

    async def stop(self) -> int:
        """SIGTERM, a bounded wait, SIGKILL; returns the exit code. Safe when it never started."""
        self._stopping.set()
        if self._task is None:
            return 0
        self._terminate()
        done, _ = await asyncio.wait([self._task], timeout=self._child.stop_within_s)
        if not done:
            _LOG.error("%s: did not stop within %g s; killed", self._child.name, self._child.stop_within_s)
            self._sweep()
            await asyncio.wait([self._task], timeout=_KILLED_WITHIN_S)
        return 0 if self._code == _ENDED_BY_SIGTERM else self._code

    async def _keep(self, process: asyncio.subprocess.Process | None) -> None:
        while True:
            if process is not None:
                await self._until_ended(process)
            if self._stopping.is_set():
                return
            if self._code in self._child.final_codes:
                _LOG.error("%s: ended with code %d; starting again cannot mend that", self._child.name, self._code)
                self._end(self._code)
                return
            self.wait_no_longer()
            if await self._stopped_within(self._delay_s()):
                return
            process = await self._launch_again()

    async def _launch_heard(self) -> asyncio.subprocess.Process:
        """With a pipe by which it says that it has accepted its configuration; the pipe ends with it at the latest."""
        hearing, saying = os.pipe()
        try:
            process = await self._launch(saying)
        except OSError:
            os.close(hearing)
            raise
        finally:
            os.close(saying)
        asyncio.get_running_loop().add_reader(hearing, self._heard, hearing)
        return process

    def _heard(self, hearing: int) -> None:
        if os.read(hearing, 1):  # else it has ended without a word, and what that means is the keeper's to say
            self.wait_no_longer()
        asyncio.get_running_loop().remove_reader(hearing)
        os.close(hearing)

    async def _launch(self, saying: int | None = None) -> asyncio.subprocess.Process:
        """A session of its own, so that a terminal's Ctrl-C reaches the supervisor alone; output is passed through."""
        pipe = {} if saying is None else {ACCEPTED_FD: str(saying)}
        self._process = await asyncio.create_subprocess_exec(
            *self._child.command,
            env={**self._environment, **pipe},
            stdin=asyncio.subprocess.DEVNULL,
            start_new_session=True,
            pass_fds=() if saying is None else (saying,),
        )
        _LOG.info("%s: started as process %d", self._child.name, self._process.pid)
        return self._process

    async def _launch_again(self) -> asyncio.subprocess.Process | None:
        try:
            process = await self._launch()
        except OSError as fault:  # such as no memory or no process to be had; tried again like any other end
            _LOG.error("%s: cannot be started: %s", self._child.name, fault)
            self._short_lives += 1
            return None
        if self._stopping.is_set():  # told to stop while it was being started
            self._terminate()
        return process

    async def _until_ended(self, process: asyncio.subprocess.Process) -> None:
        loop = asyncio.get_running_loop()
        started_s = loop.time()
        code = await process.wait()
        self._code = code if code >= 0 else 128 - code
        self._sweep()
        lived_s = loop.time() - started_s
        self._short_lives = 1 if lived_s >= self._rule.steady_after_s else self._short_lives + 1
        _LOG.log(
            logging.INFO if self._stopping.is_set() else logging.WARNING,
            "%s: ended with code %d after %.1f s",
            self._child.name,
            self._code,
            lived_s,
        )

    async def _stopped_within(self, delay_s: float) -> bool:
        """Wait out a delay; whether the stop came meanwhile, in which case how the child ended no longer matters."""
        _LOG.warning("%s: started again in %.1f s", self._child.name, delay_s)
        with suppress(TimeoutError):
            async with asyncio.timeout(delay_s):
                await self._stopping.wait()
                self._code = 0
        return self._stopping.is_set()

    def _delay_s(self) -> float:
        doublings = min(self._short_lives - 1, _LONGEST_DELAY_DOUBLINGS)
        delay_s = min(self._rule.ceiling_s, self._rule.first_s * 2.0**doublings)
        return delay_s * self._random.uniform(1 - _JITTER, 1 + _JITTER)

    def _terminate(self) -> None:
        if self._process is not None and self._process.returncode is None:
            _LOG.info("%s: told to stop", self._child.name)
            self._process.terminate()

    def _sweep(self) -> None:
        """Kill what is left of the child's process group: itself when it hangs, else whatever it left behind."""
        if self._process is not None:
            with suppress(ProcessLookupError):
                os.killpg(self._process.pid, signal.SIGKILL)

    def _keeper_ended(self, task: "asyncio.Task[None]") -> None:
        if not task.cancelled() and task.exception() is not None:
            _LOG.error("%s: no longer watched; stopping everything", self._child.name, exc_info=task.exception())
            self._end(_WATCH_FAILED)


def supervise(children: Sequence[Child]) -> int:
    """Run a supervisor to its end; see ``Supervisor.run`` for the exit code.

    Raises:
        OSError: a child cannot be started at all; those started before it have been stopped.
    """

    async def run() -> int:
        return await Supervisor(children).run()

    return asyncio.run(run())
