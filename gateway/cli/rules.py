"""What the rules of a site mean, from its configuration alone: cause and effect, and the race against the water."""

from datetime import UTC, datetime
from pathlib import Path

import click

from gateway import __version__
from gateway.cli.asking import zone_of
from gateway.cli.choices import folder_argument
from gateway.cli.endings import refusal_told
from gateway.cli.files import FILE, print_or_write, replace_option
from gateway.configuration.plant import load_site
from gateway.reports.budget import budgets
from gateway.reports.budget_csv import budget_csv
from gateway.reports.budget_text import budget_text
from gateway.reports.matrix import Configured
from gateway.reports.matrix import matrix as matrix_of
from gateway.reports.matrix_csv import matrix_csv
from gateway.reports.matrix_html import matrix_html
from gateway.reports.matrix_text import matrix_text

_MATRICES = {"text": matrix_text, "csv": matrix_csv, "html": matrix_html}
_output_option = click.option("--output", type=FILE, help="File to write it to, instead of the terminal.")


@click.command()
@folder_argument
@click.option(
    "--format", "form", type=click.Choice(sorted(_MATRICES)), default="text", show_default=True, help="How to write it."
)
@_output_option
@replace_option
def matrix(site: Path, form: str, output: Path | None, *, replace: bool) -> None:
    """Cause and effect of SITE after IEC 62881, from the configuration itself, with its hash.

    Rows are the causes of every interlock, columns the outputs; then what each
    output needs to be released, what a restart does, and how it is watched.
    """
    with refusal_told():
        loaded = load_site(site)
    about = Configured(
        id=loaded.site.site.id,
        name=loaded.site.site.name,
        zone=zone_of(loaded),
        hash=loaded.hash,
        version=__version__,
        utc_ms=round(datetime.now(UTC).timestamp() * 1_000),
        plant=loaded.plant,
        stroke_ms={name: round(keys.stroke_s * 1_000) for name, keys in loaded.site.outputs.items()},
        returns_because={name: keys.returns_because for name, keys in loaded.site.interlocks.items()},
    )
    print_or_write(_MATRICES[form](matrix_of(about)), output, "cause and effect", replace=replace)


@click.command()
@folder_argument
@click.option(
    "--format", "form", type=click.Choice(["csv", "text"]), default="text", show_default=True, help="How to write it."
)
@_output_option
@replace_option
def budget(site: Path, form: str, output: Path | None, *, replace: bool) -> None:
    """How long each interlock of SITE takes beside the water, and how many litres pass at the highest flow.

    A rule that cannot win is named, with what would help.
    """
    with refusal_told():
        loaded = load_site(site)
    rows = budgets(loaded.site)
    title = f"{loaded.site.site.name} ({loaded.site.site.id}), configuration {loaded.hash}"
    text = budget_csv(rows) if form == "csv" else budget_text(title, rows)
    print_or_write(text, output, "response budget", replace=replace)
