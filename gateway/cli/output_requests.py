"""What a person asks about outputs: a sample and a release, and whether they are written at all.

Decides nothing: the scan judges what is asked.
"""

import math
import sys
from pathlib import Path

import click

from gateway.cli.asking import asked, new_id, request
from gateway.cli.choices import FOLDER, person_option, site_option
from gateway.configuration.plant import LoadedSite
from gateway.configuration.schema import Tag
from gateway.local.messages import Ask
from gateway.terminal import commissioning_text


@click.command()
@click.argument("measured", nargs=-1, required=True, metavar="QUANTITY=VALUE...")
@person_option
@site_option
def grab(measured: tuple[str, ...], person: str, site: Path) -> None:
    """Enter a grab sample, such as ``turbidity_ntu=0.8 total_chlorine_mg_l=5.1``."""
    figures = dict(_figure(one) for one in measured)
    if len(figures) < len(measured):
        raise click.BadParameter("a quantity stands there twice; one sample has one figure for each")
    request(site, Ask(id=new_id(), action="grab_sample", measured=figures, person=person))


def _figure(text: str) -> tuple[str, float]:
    name, equals, value = text.partition("=")
    try:
        figure = float(value)
    except ValueError:
        figure = math.nan
    if not name or not math.isfinite(figure):
        problem = f"has {value!r} where a number is wanted" if name and equals else "is not QUANTITY=VALUE"
        raise click.BadParameter(f"{text!r} {problem}; write for instance turbidity_ntu=0.8")
    return name, figure


@click.command()
@click.argument("output")
@click.option("--reason", required=True, help="Why, in your words; stands in the record.")
@click.option("--confirm", default=0, help="The number the first step has offered.")
@person_option
@site_option
def release(output: str, reason: str, confirm: int, person: str, site: Path) -> None:
    """Give an output back after a trip or a start, in two steps.

    The first shows every condition; only when all hold it offers a number,
    and the second, with that number, carries it out.
    """
    ask = Ask(id=new_id(), action="release", subject=output, reason=reason, confirm=confirm, person=person)
    answer = request(site, ask)
    if answer.confirm and sys.stdin.isatty():
        number = click.prompt(f"Release {output}? Type {answer.confirm}, or anything else to leave it", default="")
        if number.strip() == str(answer.confirm):
            ask = Ask(
                id=new_id(),
                action="release",
                subject=output,
                reason=reason,
                confirm=answer.confirm,
                person=person,
            )
            request(site, ask)


@click.command()
@click.argument("site", type=FOLDER)
@click.option("--reason", required=True, help="Why the outputs may be written now; stands in the record.")
@click.option("--yes", is_flag=True, help="Do not ask again; for scripts.")
@person_option
def commission(site: Path, reason: str, person: str, *, yes: bool) -> None:
    """Let the gateway write the outputs of SITE from now on; until then it only observes.

    It asks once more and names every register. It holds for these outputs
    alone: when what is written where changes, the site observes again.
    """
    loaded, found = asked(site, lambda field: field.status())
    if not yes and loaded.site.output_block is not None:
        click.echo(commissioning_text(found, _registers(loaded)))
        click.confirm("Shall the gateway write these registers from now on?", abort=True)
    request(site, Ask(id=new_id(), action="commission", reason=reason, person=person))


@click.command(name="observe-only")
@click.argument("site", type=FOLDER)
@click.option("--reason", required=True, help="Why nothing is to be written any more; stands in the record.")
@click.option("--yes", is_flag=True, help="Do not ask again; for scripts.")
@person_option
def observe_only(site: Path, reason: str, person: str, *, yes: bool) -> None:
    """Withdraw the permissions of SITE and then write nothing any more, until its outputs are commissioned again."""
    if not yes:
        question = "Withdraw every permission, and write nothing any more? Stop codes stay as they stand."
        click.confirm(question, abort=True)
    request(site, Ask(id=new_id(), action="decommission", reason=reason, person=person))


def _registers(loaded: LoadedSite) -> list[tuple[str, str, str]]:
    """Tag, place and output of every register that the gateway may write; the heartbeat belongs to none."""
    block = loaded.site.output_block
    outputs = {one.register_tag: name for name, one in loaded.site.outputs.items()}
    registers = block.registers if block is not None else ()
    return [(tag, _place(loaded.site.tags[tag]), outputs.get(tag, "")) for tag in registers]


def _place(tag: Tag) -> str:
    return f"register {tag.address} of {tag.device}"
