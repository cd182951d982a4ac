"""`millsim calibrate`: measured runs to a calibrated card. Heavy imports stay inside."""

from pathlib import Path

import click

from ..errors import InputError, Problem
from .base import ANSWER_IS_NO, DONE, answer, check_plots, drawing, keep, working
from .inputs import Inputs, force_option, path_type, plots_option, told_options


@click.command()
@click.argument("runs", type=path_type, nargs=-1, required=True, metavar="RUN.toml...")
@click.option("-o", "--out", type=path_type, metavar="CARD.toml", help="Default: RUN.card.toml beside the first run.")
@plots_option("Draw the figures into this folder.")
@click.option("--seed", type=click.IntRange(0, 2**63 - 1), default=1, show_default=True, help="Of the sampling.")
@click.option("--accept-losses", is_flag=True, help="Calibrate although the mass balance does not close.")
@click.option("--write-anyway", "anyway", is_flag=True, help="Write the card even if the fit fails its checks.")
@told_options
@force_option
@click.pass_context
def calibrate(ctx, runs, out, plots, seed, accept_losses, anyway, force) -> None:
    """Fit the model to measured runs and write a calibrated card.

    RUN.toml are run sheets (see configs/demo_run.toml) of one material. Name the card in a config: [calibration]
    card = "CARD.toml".
    """
    from ..learn.measured.runsheet import read_run
    from ..record.files import check_target

    out = out or runs[0].with_name(f"{runs[0].stem}.card.toml")
    if any(out.resolve() == run.resolve() for run in runs):
        raise InputError(Problem("--out", "", f"{out} is the run sheet itself", hint="name another file for the card"))
    is_there = plots is not None and not force and _is_of(out, runs)
    check_target(out, force or is_there, kind="card.toml")
    check_plots(plots, lambda: ("calibration_sizes.png", "calibration_parameters.png"), force)
    with Inputs() as given:
        sheets = [given.read(read_run, run) for run in runs]
    if not accept_losses:
        refuse_losses(sheets)
    with working(ctx) as report:
        from ..learn.calibration.whole import calibrate_whole

        found = calibrate_whole(sheets, seed, report)
    from ..show.words import calibration, cautions

    card = out if found.bars or anyway else None
    answer(
        ctx,
        lambda: calibration.calibration_json(found) | {"card": card.name if card else None},
        lambda: calibration.calibration_text(found),
        DONE if found.bars else ANSWER_IS_NO,
        _written(ctx, found, card, plots, force, is_there),
        short=lambda: calibration.calibration_short(found),
        caution=cautions.at("calibrate", *(cautions.case_of(run.config) for run in sheets)),
    )


def _is_of(out: Path, runs) -> bool:
    """Whether a card of these runs is there: by this command, maybe, as it was stopped while drawing."""
    from ..learn.measured.runsheet import measured_hash, read_run
    from ..mill.cards.calibrated import load_calibrated

    try:
        return out.is_file() and load_calibrated(out).run_hashes == tuple(measured_hash(read_run(run)) for run in runs)
    except (InputError, OSError):
        return False


def _written(ctx: click.Context, found, card: Path | None, plots: Path | None, force: bool, is_there: bool):
    """Write card and figures; a line for each. is_there: a card that may be this one, which is then kept."""
    from ..learn.calibration.carding import card_text
    from ..record.files import holds, write_bytes

    if card is not None:
        text = card_text(found.card).encode()
        same = is_there and holds(card, [text])
        if not same:
            write_bytes(card, text, force)
        keep(ctx, f"the card is in {card}{'; the same command goes on from there' if plots else ''}.")
        what = "Kept before" if same else "Written"
        yield f'{what}: {card} (use it: --set calibration.card="{card}"; or name it in a config)'
    else:
        yield "No card was written, since the fit failed its checks (LOOK); --write-anyway writes one."
    if plots is not None:
        from ..show.plots import calibration

        yield drawing(plots, lambda: calibration.save_calibration(found, plots, force))


def refuse_losses(runs) -> None:
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
