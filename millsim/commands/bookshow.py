"""Looking at a notebook of builds and learning from it: `show`, `calibrate` and `window`. Heavy imports stay inside."""

import click

from ..errors import InputError, Problem
from .base import ANSWER_IS_NO, DONE, answer, check_plots, working
from .calibrate import refuse_losses
from .inputs import force_option, json_option, path_type, plots_option, quiet_option, told_options


@click.command("show")
@click.argument("folder", type=path_type, metavar="BOOK")
@plots_option("Draw predicted and measured of all runs into this folder.")
@click.option("--csv", "csv_file", type=path_type, metavar="FILE.csv", help="Write the table, a row for each answer.")
@told_options
@force_option
@click.pass_context
def show(ctx, folder, plots, csv_file, force) -> None:
    """Show what was built, predicted and measured, over time, and whether the forecasts get better."""
    from ..learn.book import pages, score, spread, table
    from ..record.files import check_target

    check_plots(plots, lambda: ["notebook.png"], force)
    if csv_file is not None:
        check_target(csv_file, force, "--csv", "notebook.csv")
    found = pages.read_book(folder)
    rows = table.rows(found)
    s, changes = score.score(rows), spread.spread_of(found.counted(), table.ANSWERS)
    from ..show.words import book as words

    answer(
        ctx,
        lambda: words.book_json(found, rows, s, changes),
        lambda: words.full(found, rows, s, changes),
        written=_written(rows, found.folder.name, plots, csv_file, force),
        short=lambda: words.short(found, rows, s, changes),
    )


def _written(rows, title, plots, csv_file, force: bool):
    """Write table and figure; a line for each."""
    from ..base.quantities.spreadsheet import csv_text
    from ..record.files import write_bytes
    from ..show.words import book as words

    if csv_file is not None:
        write_bytes(csv_file, csv_text([list(row) for row in words.table_csv(rows)]).encode(), force)
        yield f"Written: {csv_file}"
    if plots is not None:
        from ..show.plots import book as figure

        yield f"Drawn: {figure.save(rows, title, plots, force)}"


@click.command("calibrate")
@click.argument("folder", type=path_type, metavar="BOOK")
@click.argument("names", nargs=-1, metavar="[BUILD|RUN]...")
@click.option("--seed", type=click.IntRange(0, 2**63 - 1), default=1, show_default=True, help="Of the sampling.")
@click.option("--accept-losses", is_flag=True, help="Calibrate although a mass balance does not close.")
@told_options
@click.pass_context
def calibrate(ctx, folder, names, seed, accept_losses) -> None:
    """Fit the model to all sieved runs of the notebook together, or to those of the builds and runs named.

    The card goes into the notebook; `millsim book predict BOOK BUILD --calibrated` predicts with it.
    """
    from ..learn.book import pages

    entered = pages.read_book(folder).counted(names)
    chosen = entered if names else [(b, r) for b, r in entered if not r.unreadable and r.sheet.product_sheets]
    if not chosen:
        raise InputError(
            Problem(str(folder), "", "has no run that counts and was sieved", hint="enter one: millsim book run")
        )
    sheets = [run.sheet for _, run in chosen]
    if not accept_losses:
        refuse_losses(sheets)
    with working(ctx) as report:
        from ..learn.calibration.whole import calibrate_whole

        found = calibrate_whole(sheets, seed, report)
    from ..show.words import calibration, cautions

    keys = [f"{b.key}/{r.entry.key}" for b, r in chosen]
    answer(
        ctx,
        lambda: calibration.calibration_json(found) | {"runs": keys},
        lambda: calibration.calibration_text(found),
        DONE if found.bars else ANSWER_IS_NO,
        _kept(folder, found, keys),
        short=lambda: calibration.calibration_short(found),
        caution=cautions.at("calibrate", *(cautions.case_of(run.config) for run in sheets)),
    )


def _kept(folder, found, keys: list[str]):
    """Enter the card; a line that says so."""
    from ..learn.book import enter
    from ..learn.calibration.carding import card_text

    if found.bars:
        yield f"Entered: {enter.card(folder, card_text(found.card), keys)}"
    else:
        yield "No card was entered, since the fit failed its checks (LOOK)."


@click.command("window")
@click.argument("folder", type=path_type, metavar="BOOK")
@click.option("--use", required=True, metavar="WORD", help="The use, as in the trials.")
@click.option("--by", type=click.Choice(["x10", "x50", "x90"]), default="x50", show_default=True, help="The size.")
@click.option("-o", "--out", type=path_type, metavar="TARGET.toml", help="Write the window as a target for `choose`.")
@quiet_option
@json_option
@force_option
@click.pass_context
def window(ctx, folder, use, by, out, force) -> None:
    """Learn from trials what sizes a use takes, with the doubt that so few trials leave."""
    from ..explore.choose import learned
    from ..learn.book import pages
    from ..learn.book import window as trials
    from ..record.files import check_target

    if out is not None:
        check_target(out, force, kind="target.toml")
    book = pages.read_book(folder)
    use = " ".join(use.split()).lower()
    known = sorted({t.use for t in book.trials})
    if use not in known:
        message = f"no trial says {use!r}"
        hint = f"uses: {', '.join(known)}" if known else f"millsim book trial {folder} --use {use} --verdict good ..."
        raise InputError(Problem("--use", "", message, hint=hint))
    found = trials.learn(book.trials, use, by)
    from ..show.words import trials as words

    some = any(learned.limits(found))
    answer(
        ctx,
        lambda: words.window_json(found),
        lambda: words.window_text(found),
        DONE if some else ANSWER_IS_NO,
        _target(found, out, force, some),
    )


def _target(found, out, force: bool, some: bool):
    """Write the target; a line that says so."""
    if out is None:
        return
    if not some:
        yield "No target was written: the trials give no limit."
        return
    from ..explore.choose import learned, targets
    from ..record.files import write_bytes

    write_bytes(out, targets.to_toml(learned.target_of(found)).encode(), force)
    yield f"Written: {out} (for `millsim choose SWEEP.h5 {out}`)"
