"""Arguments and options that several commands share, word for word the same. Decides nothing."""

from pathlib import Path

import click

FOLDER = click.Path(exists=True, file_okay=False, path_type=Path)

folder_argument = click.argument("site", type=FOLDER)

site_option = click.option(
    "--site",
    type=FOLDER,
    envvar="PURPLEGATE_SITE",
    default=".",
    show_default="the current folder, or PURPLEGATE_SITE",
    help="Site folder.",
)

person_option = click.option(
    "--person", default="", help="Which person of the site's people table you act as, when you may act as several."
)
