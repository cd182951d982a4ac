"""The commands that learn from a run: calibrate, compare, next. Heavy imports stay inside."""

import sys
from pathlib import Path

import click

from ..errors import InputError, Problem
from .base import INTERRUPTS, KEPT, force_option, json_done, json_option, path_type, set_option, tell
from .progress import Progress

CHECK_FAILED = 3
QUESTIONS = ["x50", "x90", "rate", "energy", "temperature"]


@click.command()
@click.argument("runs", type=path_type, nargs=-1, required=True, metavar="RUN.toml...")
@click.option("-o", "--out", type=path_type, metavar="CARD.toml", help="Default: RUN.card.toml beside the first run.")
@click.option("--plots", type=path_type, metavar="DIR", help="Draw the figures into this folder.")
@click.option("--seed", type=click.IntRange(0, 2**63 - 1), default=1, show_default=True, help="Of the sampling.")
@click.option("--accept-losses", is_flag=True, help="Calibrate although the mass balance does not close.")
@click.option("--write-anyway", "anyway", is_flag=True, help="Write the card even if the fit fails its checks.")
@json_option
@force_option
@click.pass_context
def calibrate(ctx, runs, out, plots, seed, accept_losses, anyway, as_json, force) -> None:
    """Fit the model to measured runs and write a calibrated card.

    RUN.toml are run sheets (see configs/demo_run.toml) of one material. Name the card in a config: [calibration]
    card = "CARD.toml".
    """
    from ..learn.measured.runsheet import read_run
    from ..record.files import check_target, write_bytes

    out = out or runs[0].with_name(f"{runs[0].stem}.card.toml")
    if any(out.resolve() == run.resolve() for run in runs):
        raise InputError(Problem("--out", "", f"{out} is the run sheet itself", hint="name another file for the card"))
    check_target(out, force, kind="card.toml")
    if plots is not None:
        _check_plots(plots, ("calibration_sizes.png", "calibration_parameters.png"), force)
    sheets = _all_runs(runs, read_run)
    if not accept_losses:
        _refuse_losses(sheets)
    found = _calibrated(ctx, sheets, seed, as_json)
    from ..learn.calibration.carding import card_text
    from ..show.words import calibration

    kept = []
    if found.bars or anyway:
        write_bytes(out, card_text(found.card).encode(), force)
        ctx.meta[KEPT] = f"the card is in {out}."
        kept.append(f'Written: {out} (name it in a config: [calibration] card = "{out.name}")')
    else:
        kept.append("No card was written, since the fit failed its checks (LOOK); --write-anyway writes one.")
    if as_json:
        json_done(ctx, calibration.calibration_json(found) | {"card": out.name if found.bars or anyway else None})
    else:
        click.echo(calibration.calibration_text(found), nl=False)
    if plots is not None:
        from ..show.plots import calibration

        paths = calibration.save_calibration(found, plots, force)
        kept.append(f"Drawn: {len(paths)} figures in {plots}")
    tell([] if as_json else kept)
    if not found.bars:
        ctx.exit(CHECK_FAILED)


def _check_plots(folder: Path, names: tuple[str, ...], force: bool) -> None:
    from ..record.export import refuse_any_existing
    from ..record.files import check_folder

    check_folder(folder, "--plots", create=True)
    if not force:
        refuse_any_existing([folder / name for name in names], "--plots")


def _all_runs(paths, read_run) -> list:
    """The run sheets; the problems of all of them at once."""
    found, problems = [], []
    for path in paths:
        try:
            found.append(read_run(path))
        except InputError as error:
            problems += error.problems
    if problems:
        raise InputError(problems)
    return found


def _refuse_losses(runs) -> None:
    """A run whose mass balance does not close is not calibrated on unasked."""
    from ..learn.measured.runbalance import judge

    problems = []
    for run in runs:
        closure = sum(run.parts_kg.values()) / run.fed_kg
        if judge(closure)[0] == "do not calibrate":
            message = f"{100 * closure:.1f} % of what was fed was found again"
            hint = "weigh chamber, bag and floor, or say --accept-losses: what is missing then may be fines"
            problems.append(Problem(str(run.path or run.name), "masses", message, "95 to 103 %", hint))
    if problems:
        raise InputError(problems)


def _calibrated(ctx, sheets, seed: int, quiet: bool):
    """The whole calibration, with a line of progress."""
    with Progress(quiet=quiet and not sys.stderr.isatty()) as progress:
        check = ctx.meta[INTERRUPTS].check

        def report(stage: str, done: float, detail: str = "") -> None:
            check()
            progress(stage, done, detail)

        report("starting", 0.0)
        from ..learn.calibration.whole import calibrate_whole

        return calibrate_whole(sheets, seed, report)


@click.command()
@click.argument("prediction", type=path_type, metavar="PREDICTION.h5")
@click.argument("run", type=path_type, metavar="RUN.toml")
@click.option("--plots", type=path_type, metavar="DIR", help="Draw the figure into this folder.")
@json_option
@force_option
@click.pass_context
def compare(ctx, prediction, run, plots, as_json, force) -> None:
    """Set a measured run against a stored prediction.

    Nothing is fitted and the prediction is not changed.
    """
    from ..learn.measured.runsheet import read_run

    if plots is not None:
        _check_plots(plots, ("comparison.png",), force)
    from ..record import read

    stored, sheet = read.read(prediction), read_run(run)
    from ..learn.calibration.compare import compare as set_against
    from ..show.words import calibration

    found = set_against(stored, sheet)
    if as_json:
        json_done(ctx, calibration.comparison_json(found))
    else:
        click.echo(calibration.comparison_text(found), nl=False)
    if plots is not None:
        from ..show.plots import calibration

        path = calibration.save_comparison(found, plots, force)
        tell([] if as_json else [f"Drawn: {path}"])


@click.command("next")
@click.argument("config", type=path_type)
@click.option("--for", "question", type=click.Choice(QUESTIONS), default="x50", show_default=True, help="The answer.")
@click.option("--seed", type=click.IntRange(0, 2**63 - 1), default=1, show_default=True, help="Of the draws.")
@set_option
@json_option
@click.pass_context
def next_(ctx, config, question, seed, settings, as_json) -> None:
    """Rank measurements by how much they would narrow an answer.

    CONFIG is a mill, with a calibrated card or without.
    """
    from ..mill.config.mill import load_config

    loaded = load_config(config, list(settings))
    with Progress(quiet=as_json and not sys.stderr.isatty()) as progress:
        check = ctx.meta[INTERRUPTS].check

        def report(done: float) -> None:
            check()
            progress("measure next", done, "")

        report(0.0)
        from ..learn.calibration import nextstep

        planned = nextstep.plan(loaded, seed, progress=report)
        ranked, hardly = planned.rank(question), planned.hardly(question)
    from ..show.words import calibration

    rate = planned.model.rate_kg_s
    note = [] if loaded.feed.batch_mass_kg is None else calibration.batch_lines(rate)
    if as_json:
        found = {"next": calibration.next_json(ranked), "hardly": list(hardly), "planned_rate_kg_s": rate}
        json_done(ctx, {"status": "ok", "question": question} | found | ({"note": " ".join(note)} if note else {}))
    else:
        click.echo("".join(f"{line}\n" for line in note), nl=False)
        click.echo("\n".join(calibration.next_lines(ranked, question, rate, most=20, hardly=hardly)))
