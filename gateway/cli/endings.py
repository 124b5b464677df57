"""How a command ends: the exit codes, and what a refused site folder says.

Loads nothing heavy: the commands that have to start quickly need it too.
"""

import sys
from collections.abc import Iterator
from contextlib import contextmanager

import click

from gateway.configuration.fault import Refused

REFUSED_REQUEST, REFUSED_SITE, NO_FIELD, NO_RECORD = 1, 3, 4, 5


@contextmanager
def refusal_told() -> Iterator[None]:
    """A site folder that is refused ends the command with every fault, not with a traceback."""
    try:
        yield
    except Refused as refused:
        click.echo(str(refused), err=True)
        sys.exit(REFUSED_SITE)
