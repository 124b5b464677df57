"""Files that commands write for a person; one that is there already stays unless it may be replaced."""

from pathlib import Path

import click

FILE = click.Path(dir_okay=False, path_type=Path)

replace_option = click.option("--replace", is_flag=True, help="Replace the file when it is there already.")


def write(file: Path, text: str, *, replace: bool) -> None:
    """Write a text as it stands, line ends and all.

    Raises:
        click.ClickException: the file is there already and may not be replaced, or cannot be written.
    """
    try:
        with file.open("w" if replace else "x", encoding="utf-8", newline="") as opened:
            opened.write(text)
    except FileExistsError:
        raise click.ClickException(f"{file} is there already; say --replace") from None
    except OSError as error:
        raise click.ClickException(f"{file} cannot be written: {error.strerror}") from error


def print_or_write(text: str, output: Path | None, what: str, *, replace: bool) -> None:
    """Print a text, or write it to a file and say what has been written."""
    if output is None:
        click.echo(text, nl=False)
        return
    write(output, text, replace=replace)
    click.echo(f"{output}: {what}")
