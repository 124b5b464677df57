"""Asking a site from the office: keys of persons, and signed requests. Decides nothing: the site judges all of it."""

import os
import sys
import time
from pathlib import Path

import click
import msgspec

from gateway.cli.choices import site_option
from gateway.cli.endings import NO_FIELD, REFUSED_REQUEST, refusal_told
from gateway.configuration.plant import load_site
from gateway.local import signatures, signed
from gateway.local.messages import Answered, Ask, ListItem
from gateway.local.signed import Claim, NotSigned
from gateway.terminal import answer_text

_FOR_OTHERS = 0o077


@click.group()
def key() -> None:
    """Keys with which persons ask from afar."""


@key.command(name="new")
@click.argument("person")
@click.option("--file", type=click.Path(dir_okay=False, path_type=Path), help="Where to; PERSON.key without it.")
def new(person: str, file: Path | None) -> None:
    """Make a key for PERSON: the private part into a file of theirs alone, the public part for the site's people."""
    private, public = signatures.new_key()
    path = file or Path(f"{person}.key")
    try:
        with os.fdopen(os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, 0o600), "w") as made:
            made.write(f"{private}\n")
    except OSError as error:
        raise click.ClickException(f"{path} cannot be made: {error.strerror}; a key that is there stays") from error
    click.echo(f"{path} is the private key. Whoever has it can ask as {person}: it stays with {person}.")
    click.echo("Into the site folder, beside the person's role:")
    click.echo(f"people:\n  {person}:\n    afar_key: {public}")


@click.group()
@site_option
@click.option("--as", "person", required=True, help="Who asks: the person of the site's people table.")
@click.option(
    "--key", "file", type=click.Path(dir_okay=False, path_type=Path), help="Private key; PERSON.key without it."
)
@click.pass_context
def ask(context: click.Context, site: Path, person: str, file: Path | None) -> None:
    """Ask a site from the office, over its broker, signed with your key.

    The site folder is the office's copy; passwords and certificates it names
    are the office's own. Whether it is granted, the site decides.
    """
    context.obj = (site, person, file or Path(f"{person}.key"))


@ask.command()
@click.argument("alarm")
@click.option("--occurrence", required=True, type=click.IntRange(min=1), help="The occurrence you have seen.")
@click.pass_obj
def acknowledge(asked_as: tuple[Path, str, Path], alarm: str, occurrence: int) -> None:
    """Say that you have seen an alarm. Clears, resets and releases nothing."""
    _put(asked_as, Ask(id="", action="acknowledge", subject=alarm, occurrence=occurrence))


@ask.command()
@click.argument("output")
@click.option("--reason", required=True, help="Why, in your words; stands in the record.")
@click.option("--confirm", default=0, help="The number the first step has offered.")
@click.pass_obj
def release(asked_as: tuple[Path, str, Path], output: str, reason: str, confirm: int) -> None:
    """Give an output back, in two steps, where the site's rule lets it be done from afar.

    The first shows every condition; only when all hold it offers a number,
    and the second, with that number, carries it out.
    """
    _put(asked_as, Ask(id="", action="release", subject=output, reason=reason, confirm=confirm))


def _put(asked_as: tuple[Path, str, Path], ask: Ask) -> None:
    from gateway.assembly.office import NoAnswer, ask_site  # noqa: PLC0415 - other commands need not load the client

    site, person, file = asked_as
    with refusal_told():
        loaded = load_site(site)
        now_ms = time.time_ns() // 1_000_000
        claim = Claim(
            site=loaded.site.site.id,
            person=person,
            number=now_ms,
            expires_utc_ms=now_ms + signed.LASTS_MS,
            ask=msgspec.structs.replace(ask, id=str(now_ms)),
        )
        try:
            answer = ask_site(loaded, signatures.sign(claim, _private(file)))
        except NotSigned as fault:
            raise click.ClickException(f"{file}: {fault}; make a key with purplegate key new {person}") from fault
        except NoAnswer as why:
            click.echo(str(why), err=True)
            sys.exit(NO_FIELD)
    items = tuple(ListItem(text=one.text, satisfied=one.satisfied, detail=one.detail) for one in answer.items)
    told = Answered(
        id=answer.request, granted=answer.granted, reason=answer.reason, text=answer.text, items=items,
        confirm=answer.confirm,
    )  # fmt: skip
    click.echo(answer_text(told))
    if not answer.granted:
        sys.exit(REFUSED_REQUEST)


def _private(file: Path) -> str:
    try:
        with file.open(encoding="ascii") as opened:
            if os.fstat(opened.fileno()).st_mode & _FOR_OTHERS:
                raise click.ClickException(f"others may use {file}; run: chmod 0600 {file}, and better make a new key")
            return opened.read(200).strip()
    except (OSError, UnicodeDecodeError) as error:
        raise click.ClickException(f"{file} cannot be read: make a key with purplegate key new") from error
