"""The proof of a site's rules: whether anything the configuration allows lets water pass that must not."""

import sys
from pathlib import Path

import click

from gateway.cli.choices import folder_argument
from gateway.cli.endings import refusal_told
from gateway.cli.files import FILE
from gateway.configuration.plant import load_site
from gateway.prove.command import prove_again, prove_site
from gateway.prove.timeline import NotOurs


@click.command()
@folder_argument
@click.option(
    "--seconds",
    type=click.FloatRange(min=10),
    default=110.0,
    show_default=True,
    help="How long it may take; longer goes further.",
)
@click.option("--seed", type=int, default=1, show_default=True, help="Of the random walk; the same seed, the same way.")
@click.option("--save", type=FILE, help="Where to put a counter-example.")
@click.option(
    "--again",
    type=click.Path(exists=True, dir_okay=False, path_type=Path),
    help="Run a saved counter-example once more instead.",
)
def prove(site: Path, seconds: float, seed: int, save: Path | None, again: Path | None) -> None:
    """Try everything that SITE allows, in any order, and say whether water can pass that must not.

    Drives the real decisions and compares with a second reading of the
    configuration. Exit 0 with a certificate, 1 with a counter-example as a
    timeline, 3 for a refused site.
    """
    with refusal_told():
        loaded = load_site(site)
    try:
        if again is not None:
            text, code = prove_again(loaded, again)
        else:
            text, code = prove_site(loaded, seconds=seconds, seed=seed, save=save)
    except (NotOurs, OSError, UnicodeDecodeError) as why:
        raise click.ClickException(str(why)) from why
    click.echo(text)
    sys.exit(code)
