"""`millsim export`: the tables of a kept prediction. Heavy imports stay inside."""

from pathlib import Path

import click

from .base import answer
from .inputs import force_option, json_option, path_type, quiet_option


@click.command()
@click.argument("file", type=path_type)
@click.option("-o", "--out", "folder", type=path_type, metavar="DIR", help="Default: FILE-tables beside FILE.")
@quiet_option
@json_option
@force_option
@click.pass_context
def export(ctx: click.Context, file: Path, folder: Path | None, force: bool) -> None:
    """Write the tables of a result FILE as CSV, and its whole config.

    Prints the paths written.
    """
    from ..record.export import write_csv
    from ..record.read import read

    folder = folder or file.with_name(f"{file.stem}-tables")
    paths = [str(path) for path in write_csv(read(file), folder, force)]
    answer(ctx, lambda: {"written": paths}, lambda: "\n".join(paths))
