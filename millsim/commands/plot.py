"""`millsim plot`: the figures of a kept prediction. Heavy imports stay inside."""

from pathlib import Path

import click

from .base import NOT_DRAWN, answer, tell, wants_talk
from .inputs import force_option, json_option, path_type, quiet_option


@click.command()
@click.argument("file", type=path_type)
@click.option("-o", "--out", "folder", type=path_type, metavar="DIR", help="Default: FILE-figures beside FILE.")
@click.option("--svg", is_flag=True, help="Also as SVG.")
@quiet_option
@json_option
@force_option
@click.pass_context
def plot(ctx: click.Context, file: Path, folder: Path | None, svg: bool, force: bool) -> None:
    """Draw the figures of a result FILE.

    Prints the paths written.
    """
    from ..record.read import read
    from ..show.plots import prediction as figures

    folder = folder or file.with_name(f"{file.stem}-figures")
    prediction = read(file)
    drawn = figures.save_all(prediction, folder, force, svg)
    paths = [str(path) for path in drawn]
    answer(ctx, lambda: {"written": paths}, lambda: "\n".join(paths))
    if wants_talk(ctx):
        tell([] if drawn else [NOT_DRAWN])
