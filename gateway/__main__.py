"""Where the program begins: ``python -m gateway``, and the command ``purplegate``."""

import signal


def main() -> None:
    """Run the command line.

    Until a process has its own way of stopping, which is in place before it touches or starts anything, Ctrl-C simply
    ends it: there is nothing to be undone yet, and a traceback out of half loaded modules tells nobody anything.
    """
    signal.signal(signal.SIGINT, signal.SIG_DFL)
    from gateway.cli import main as command_line  # noqa: PLC0415 - loading takes the longest, and comes after that

    command_line()


if __name__ == "__main__":
    main()
