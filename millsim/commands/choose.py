"""`millsim choose`: from a sweep to what to build. Heavy imports stay inside."""

from pathlib import Path

import click

from .base import ANSWER_IS_NO, DONE, answer, check_plots, drawing, working
from .inputs import Inputs, force_option, path_type, plots_option, quantity, target_names, told_options

_LOW, _HIGH = 20e-6, 30e-3  # as circuit.FINEST_M and COARSEST_M


@click.command()
@click.argument("sweep", type=path_type, metavar="SWEEP.h5")
@click.argument("target", metavar="TARGET", shell_complete=target_names)
@click.option("--sieve", metavar='"0.5 mm"', help="Aperture of a sieve after the mill. Default: from the target.")
@click.option("--no-sieve", is_flag=True, help="Try no sieve after the mill.")
@plots_option("Draw maps with what misses, and trade-offs.")
@told_options
@force_option
@click.pass_context
def choose(ctx, sweep, target, sieve, no_sieve, plots, force) -> None:
    """What to build, out of a sweep.

    TARGET is a ready target (see `millsim targets`) or the path of a .toml file. At most five different mills that
    make such powder are told, with what to change from the mill as built; or which comes nearest and what is in the
    way. A sieve after the mill, its oversize returned, is tried on a few. Exit code 3 when no point meets the target
    without such a sieve.
    """
    aim, found, aperture = _inputs(sweep, target, sieve, no_sieve)
    check_plots(plots, lambda: _file_names(found, aim), force)
    from ..explore.choose import extsieve
    from ..explore.choose.advise import choose as advise
    from ..explore.sweep import origin
    from ..explore.sweep.reasons import refuse_if_nothing_runs
    from ..show.words import cautions
    from ..show.words import choice as words

    refuse_if_nothing_runs(found, str(sweep), "to choose from")
    if aperture is None:
        aperture = float("nan") if no_sieve else extsieve.aperture_for(aim)
    files = origin.since(found, sweep)
    with working(ctx) as report:
        advice = advise(found, aim, aperture, report)
    answer(
        ctx,
        lambda: words.to_json(found, advice, files),
        lambda: words.text(found, advice, files),
        DONE if advice.judged.meets.any() else ANSWER_IS_NO,
        _written(ctx, found, advice.choice, plots, force),
        short=lambda: words.choice_short(found, advice, files),
        caution=cautions.at("choose", *cautions.cases_of_sweep(found)),
    )


def _inputs(sweep: Path, target: str, sieve: str | None, no_sieve: bool):
    """(target, sweep, aperture or None); InputError with every problem of target and sieve at once."""
    from ..explore.choose import targets

    with Inputs() as given:
        aim = given.read(targets.load, target)
        aperture = given.read(quantity, sieve, "--sieve", "m", _LOW, _HIGH, "mm", '"0.5 mm"')
        if sieve is not None and no_sieve:
            given.refuse("--sieve", "", "is given along with --no-sieve", hint="leave one of them out")
    from ..explore.sweep.read import read

    return aim, read(sweep), aperture


def _file_names(sweep, target) -> list[str]:
    from ..show.plots.sweep import file_names

    return file_names(sweep, target)


def _written(ctx: click.Context, sweep, choice, plots: Path | None, force: bool):
    """Draw what was asked for; a line that says so."""
    if plots is not None:
        from ..show.plots import sweep as figures

        yield drawing(plots, lambda: figures.save_all(sweep, plots, force, choice=choice))
