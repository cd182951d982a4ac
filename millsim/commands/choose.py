"""The commands choose and targets: from a sweep to what to build. Heavy imports stay inside."""

import sys
from pathlib import Path

import click

from ..errors import InputError, MillsimError
from .base import INTERRUPTS, force_option, json_done, json_option, path_type, tell
from .heat import quantity
from .progress import Progress

NONE_MEETS = 3
_LOW, _HIGH = 20e-6, 30e-3  # as circuit.FINEST_M and COARSEST_M


@click.command()
@click.argument("sweep", type=path_type, metavar="SWEEP.h5")
@click.argument("target", metavar="TARGET")
@click.option("--sieve", metavar='"0.5 mm"', help="Aperture of a sieve after the mill. Default: from the target.")
@click.option("--no-sieve", is_flag=True, help="Try no sieve after the mill.")
@click.option("--plots", type=path_type, metavar="DIR", help="Draw maps with what misses, and trade-offs.")
@json_option
@force_option
@click.pass_context
def choose(ctx, sweep, target, sieve, no_sieve, plots, as_json, force) -> None:
    """What to build, out of a sweep.

    TARGET is a ready target (see `millsim targets`) or the path of a .toml file. At most five different mills that
    make such powder are told, with what to change from the mill as built; or which comes nearest and what is in the
    way. A sieve after the mill, its oversize returned, is tried on a few. Exit code 3 when no point meets the target
    without such a sieve.
    """
    aim, found, aperture = _inputs(sweep, target, sieve, no_sieve)
    if plots is not None:
        _check_folder(plots, found, aim, force)
    from ..explore.choose import extsieve
    from ..explore.choose.advise import choose as advise
    from ..show.words import choice as choice_words

    choice_words.refuse_if_nothing_runs(found, str(sweep))
    if aperture is None:
        aperture = float("nan") if no_sieve else extsieve.aperture_for(aim)
    check = ctx.meta[INTERRUPTS].check
    with Progress(quiet=as_json and not sys.stderr.isatty()) as progress:

        def step(stage: str, done: float) -> None:
            check()
            progress(stage, done, "")

        advice = advise(found, aim, aperture, step)
        check()
    if as_json:
        failure = _draw(plots, found, force, advice.choice)
        json_done(ctx, choice_words.to_json(found, advice))
    else:
        click.echo(choice_words.text(found, advice), nl=False)
        failure = _draw(plots, found, force, advice.choice)
    if failure is not None:
        raise failure
    if not advice.judged.meets.any():
        ctx.exit(NONE_MEETS)


def _inputs(sweep: Path, target: str, sieve: str | None, no_sieve: bool):
    """(target, sweep, aperture or None); InputError with every problem of target and sieve at once."""
    from ..errors import Problem
    from ..explore.choose import targets

    problems, aim, aperture = [], None, None
    try:
        aim = targets.load(target)
    except InputError as error:
        problems += error.problems
    try:
        aperture = quantity(sieve, "--sieve", "m", _LOW, _HIGH, "mm", '"0.5 mm"')
    except InputError as error:
        problems += error.problems
    if sieve is not None and no_sieve:
        problems.append(Problem("--sieve", "", "is given along with --no-sieve", hint="leave one of them out"))
    if problems:
        raise InputError(problems)
    from ..explore.sweep.read import read

    return aim, read(sweep), aperture


def _check_folder(plots: Path, sweep, target, force: bool) -> None:
    """Find out before judging whether the figures could be kept."""
    from ..record.export import refuse_any_existing
    from ..record.files import check_folder
    from ..show.plots.sweep import file_names

    check_folder(plots, "--plots", create=True)
    if not force:
        refuse_any_existing([plots / name for name in file_names(sweep, target)], "--plots")


def _draw(plots: Path | None, sweep, force: bool, choice) -> MillsimError | None:
    """Draw what was asked for; a failure is handed back, so that the answer is still printed."""
    if plots is None:
        return None
    from ..show.plots import sweep as plots_sweep

    try:
        tell([f"Drawn: {len(plots_sweep.save_all(sweep, plots, force, choice=choice))} figures in {plots}"])
    except MillsimError as error:
        return error
    return None


@click.command()
@click.argument("name", required=False)
def targets(name: str | None) -> None:
    """List the ready targets, or print one.

    NAME is a ready target or the path of a .toml file; it is printed as a file to edit:
    millsim targets rotational-moulding > my-target.toml
    """
    from ..explore.choose import targets as ready
    from ..show.words import choice as choice_words

    if name is None:
        click.echo(choice_words.targets_text({n: ready.ready(n) for n in ready.names()}), nl=False)
        return
    click.echo(ready.to_toml(ready.load(name)), nl=False)
