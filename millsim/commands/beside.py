"""`millsim beside`: several mills side by side. Heavy imports stay inside."""

from pathlib import Path

import click

from .base import answer, check_plots, working
from .inputs import force_option, path_type, plots_option, quantity, set_option, told_options

_FIGURES = ["beside_rates.png", "beside_sizes.png"]


@click.command(short_help="Set several mills side by side: what each of them makes.")
@click.argument("files", nargs=-1, required=True, type=path_type, metavar="MILL.toml|MILL.h5 ...")
@set_option
@click.option("--window", metavar="FROM:TO", help='Share of the powder between two sizes, e.g. "150 um:500 um".')
@click.option("--draws", type=click.IntRange(0, 4096), default=64, show_default=True, help="Shared draws; 0 for none.")
@click.option("--seed", type=click.IntRange(0, 2**31), default=1, show_default=True, help="Of the draws.")
@plots_option("Draw the two figures into this folder.")
@told_options
@force_option
@click.pass_context
def beside(
    ctx, files: tuple[Path, ...], settings, window: str | None, draws: int, seed: int, plots, force: bool
) -> None:
    """Set several mills side by side: what differs, what each makes, and how sure the difference is.

    Configs and stored predictions (.h5) in any mix, up to seven; the first is the one the others are set against.
    """
    window_m = _window(window)
    check_plots(plots, lambda: _FIGURES, force)
    from ..errors import InputError, Problem

    if len(files) > 7:
        raise InputError(Problem("beside", "", f"{len(files)} mills do not fit beside each other", "1 to 7"))
    from ..explore.beside import mills as sets

    with working(ctx) as report:
        mills = sets.load(files, seed, settings, report)
        found = sets.beside(mills, seed, draws, window_m, lambda share: report("shared draws", share))
    from ..show.words import beside as words
    from ..show.words import cautions

    answer(
        ctx,
        lambda: words.beside_json(found),
        lambda: words.beside_text(found),
        written=_drawn(found, plots, force),
        caution=cautions.at("choose", *(cautions.case_of(m.config) for m in mills)),
        full=True,
        short=lambda: words.beside_short(found),
    )


def _window(text: str | None) -> tuple[float, float] | None:
    if text is None:
        return None
    from ..errors import InputError, Problem

    low, _, high = text.partition(":")
    low_m, high_m = (quantity(v, "--window", "m", 1e-6, 0.1, "mm", '"150 um:500 um"') for v in (low, high))
    if not low_m < high_m:
        raise InputError(Problem("--window", "", f"{text!r} does not rise", hint='write "150 um:500 um"'))
    return low_m, high_m


def _drawn(found, plots: Path | None, force: bool):
    if plots is not None:
        from ..show.plots import beside as draw
        from ..show.plots.prediction import write

        paths = write({draw.SIZES: draw.sizes(found), draw.RATES: draw.rates(found)}, plots, force, "--plots")
        yield f"Drawn: {len(paths)} figures in {plots}"
