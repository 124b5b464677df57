"""``python -m simulator``: the plant alone, on the loopback, at any rate, telling what is true."""

import argparse
import asyncio
import contextlib
import signal
import sys
from collections.abc import Sequence
from pathlib import Path

from simulator.almanac import local_ms
from simulator.events import EVENTS, too_fast
from simulator.simulation import Options, Simulation, unbuffered

EXIT_FINE, EXIT_CANNOT_START = 0, 3


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(prog="python -m simulator", description="Simulated plant Marrowfell Saddle.")
    parser.add_argument("--event", choices=EVENTS, default="calm", help="what goes wrong, sixty minutes from the start")
    parser.add_argument(
        "--rate",
        type=_rate,
        default=60.0,
        help="plant seconds a second (default 60; 20 at most where devices go silent)",
    )
    parser.add_argument("--seed", type=int, default=1, help="of all noise (default 1)")
    parser.add_argument("--folder", type=Path, default=Path("build/plant"), help="clock page, plant.json, control.sock")
    parser.add_argument("--ports", choices=("fixed", "free"), default="fixed", help="15011 to 15023, or free ones")
    parser.add_argument("--start", type=_start, default=None, help='local plant time, "2025-02-26 09:00"')
    parser.add_argument("--minutes", type=float, default=None, help="plant minutes after which it ends")
    parser.add_argument("--control", type=Path, default=None, help="control socket (default FOLDER/control.sock)")
    parser.add_argument(
        "--truth-every", type=float, default=300.0, metavar="S", help="plant seconds; 0: no truth lines"
    )
    parser.add_argument("--stand-in", action="store_true", help="write heartbeat and permission without a gateway")
    return parser


def _rate(text: str) -> float:
    rate = float(text)
    if not 0 < rate <= 1_000:
        raise argparse.ArgumentTypeError(f"{text}: above 0, up to 1000 plant seconds a second")
    return rate


def _start(text: str) -> int:
    try:
        return local_ms(text)
    except ValueError as fault:
        raise argparse.ArgumentTypeError(f'{text}: a local time such as "2025-02-26 09:00"') from fault


def _options(arguments: argparse.Namespace) -> Options:
    return Options(
        event=EVENTS[arguments.event],
        folder=arguments.folder,
        rate=arguments.rate,
        seed=arguments.seed,
        fixed_ports=arguments.ports == "fixed",
        start_ms=arguments.start,
        control=arguments.control,
        minutes=arguments.minutes,
        truth_every_s=arguments.truth_every,
        stand_in=arguments.stand_in,
    )


async def _run(options: Options) -> None:
    simulation = Simulation(options, say=unbuffered)
    for number in (signal.SIGINT, signal.SIGTERM):
        asyncio.get_running_loop().add_signal_handler(number, simulation.stop)
    async with simulation:
        ports = ", ".join(f"{name} {port}" for name, port in simulation.ports.items())
        unbuffered(f"plant ready: {ports}; {options.event.name} at {options.rate:g} plant seconds a second")
        await simulation.run()
    unbuffered("plant stopped")


def main(argv: Sequence[str] | None = None) -> int:
    """Run the plant until it is stopped.

    Args:
        argv: the arguments; None takes the process's own.

    Returns:
        exit code: 0 stopped, 3 a port or the folder cannot be had, or the event cannot be played so.
    """
    options = _options(_parser().parse_args(argv))
    if fault := too_fast(options.event, options.rate):
        sys.stderr.write(f"the plant cannot start: {fault}\n")
        return EXIT_CANNOT_START
    try:
        with contextlib.suppress(KeyboardInterrupt):
            asyncio.run(_run(options))
    except OSError as fault:
        sys.stderr.write(f"the plant cannot start: {fault}; see --ports and --folder\n")
        return EXIT_CANNOT_START
    return EXIT_FINE


if __name__ == "__main__":
    sys.exit(main())
