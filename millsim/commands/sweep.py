"""`millsim sweep`: many mills over night, safe from a pulled plug. Heavy imports stay inside."""

from collections.abc import Callable
from pathlib import Path

import click

from ..errors import InputError, MillsimError, Problem
from .base import answer, check_plots, drawing, exit_code, keep, tell, wants_talk, working
from .inputs import force_option, path_type, plots_option, set_option, told_options


@click.command()
@click.argument("plan", type=path_type, metavar="SWEEP.toml")
@click.option("--out", type=path_type, metavar="FILE.h5", help="Default: SWEEP.h5 in the current folder.")
@click.option("--workers", type=click.IntRange(1, 1024), help="Default: one for each core.")
@click.option("--scheduler", metavar="ADDRESS", help="Use the dask cluster there, e.g. tcp://10.0.0.5:8786.")
@click.option("--csv", "csv_file", type=path_type, metavar="FILE.csv",
              help="Also a table, one row per point; _low, _high: 80 % band.")  # fmt: skip
@plots_option("Draw maps, trade-offs and sensitivities.")
@click.option("--so-far", is_flag=True, help="Compute nothing; gather what an interrupted sweep has so far.")
@set_option
@told_options
@force_option
@click.pass_context
def sweep(ctx, plan, out, workers, scheduler, csv_file, plots, so_far, settings, force) -> None:
    """Compute many mills: a base config and what varies.

    SWEEP.toml is described in configs/demo_sweep.toml. Stopped at any time, the same command goes on where it
    was: points that are known are not computed again, unless what they rest on has changed. Exit code 3 when no point
    runs as asked.
    """
    from ..explore.sweep.plan import read_plan

    made = read_plan(plan, list(settings))
    out = out or Path(f"{plan.stem}.h5")
    points_file = out.with_suffix(".points")
    again = _check_outputs(made, out, points_file, csv_file, plots, force)
    from ..explore.sweep.gather import collect
    from ..explore.sweep.journal import open_journal

    with open_journal(points_file) as journal:
        report = _computed(ctx, made, journal, workers, scheduler, out, so_far)
        from ..explore.sweep.write import write
        from ..show.words import cautions
        from ..show.words import sweep as words
        from ..show.words.short import whole

        found = collect(made, journal)
    words.refuse_if_nothing_runs(found)
    if so_far and not report.reused:
        raise MillsimError(f"{points_file} holds no point of this sweep yet.")
    write(found, out, force=True)  # what stood there was found to be this sweep, or --force was given
    keep(ctx, f"the sweep is in {out}; the same command goes on from there.")
    answer(
        ctx,
        lambda: words.to_json(found, report, out),
        lambda: words.text(found),
        exit_code(int(found.points.status.min())),  # that of the best point
        _written(ctx, found, out, csv_file, plots, force, again),
        words.after(report, found),
        caution=cautions.at("sweep", *cautions.cases_of_sweep(found)),
        short=lambda: whole(words.text(found)),
    )


def _check_outputs(plan, out: Path, points_file: Path, csv_file: Path | None, plots: Path | None, force: bool) -> bool:
    """Find out before computing whether the results could be kept; whether this sweep was whole already.

    A file of the same sweep may be renewed. Of a sweep that was whole nothing is computed, so table and figures are
    refused as they are written, and only where they are not just what would be written.
    """
    from ..record.files import check_target

    same = out.is_file() and out.suffix == ".h5" and not force
    again = same and _same_sweep(plan, out, points_file)
    check_target(out, force or same, kind="sweep.h5")
    if csv_file is not None:
        check_target(csv_file, force or again, where="--csv", kind="sweep.csv")
    check_plots(plots, lambda: _file_names(plan), force or again)
    return again


def _file_names(plan) -> list[str]:
    from ..show.plots.sweep import file_names

    return file_names(plan)


def _same_sweep(plan, out: Path, points_file: Path) -> bool:
    """Whether a sweep file is whole; InputError where it may not be renewed, as it is not of the same points.

    Names and comments may differ. A damaged file is renewed from the points of this sweep.
    """
    import numpy as np

    from ..explore.sweep import read, runner
    from ..explore.sweep.identity import identities
    from ..record.seal import is_spoilt

    try:
        whole, theirs = read.plan_of(out)
    except InputError:
        if is_spoilt(out) and _from_points(points_file, lambda journal: runner.known_points(plan, journal)):
            return False
        hint = "give --out another name, or --force replaces it"
        raise InputError(Problem("--out", "", f"{out} exists already and is no sweep file", hint=hint)) from None
    ours = identities(plan)
    if np.array_equal(ours, theirs):
        return whole
    known = {tuple(x) for x in theirs.tolist()}
    shared = sum(tuple(x) in known for x in ours.tolist())
    message = f"{out} holds another sweep: {shared} of the {plan.count} points asked for are in it"
    if rows := _from_points(points_file, lambda journal: runner.changed(plan, journal)):
        message += f"; changed since: {', '.join(rows[:4])}" + (f" and {len(rows) - 4} more" if len(rows) > 4 else "")
    hint = "--force replaces it (its points stay in the points file), or give --out another name"
    raise InputError(Problem("--out", "", message, hint=hint))


def _from_points(points_file: Path, ask: Callable):
    """What a points file says; None where there is none."""
    from ..explore.sweep.journal import open_journal

    if not points_file.exists():
        return None
    with open_journal(points_file) as journal:
        return ask(journal)


def _computed(ctx, plan, journal, workers, scheduler, out: Path, so_far: bool):
    """Run the plan, with a line of progress; the executor of a cluster if one is named."""
    from ..explore.sweep import runner
    from ..show.words import sweep as words

    if so_far:
        return runner.known(plan, journal)
    with working(ctx) as report:

        def before(planned) -> None:
            report.clear()
            tell([] if not wants_talk(ctx) else words.before(plan, planned, out, journal.path))

        try:
            if scheduler is None:
                return runner.run(plan, journal, workers, None, report, report.check, before)
            from ..explore.sweep.cluster import cluster_executor

            with cluster_executor(scheduler) as (executor, count, alive):

                def watched() -> None:
                    report.check()
                    alive()

                return runner.run(plan, journal, workers or count, executor, report, watched, before)
        finally:
            kept = runner.known_points(plan, journal)
            keep(ctx, f"{kept} points are kept in {journal.path}; the same command goes on from there.")


def _written(ctx: click.Context, found, out: Path, csv_file: Path | None, plots: Path | None, force: bool, again: bool):
    """Write what was asked for besides; a line for each."""
    yield f"Written: {out} (what to build out of it: millsim choose {out} TARGET; `millsim targets` lists them)"
    if csv_file is not None:
        from ..explore.sweep.tidy import write_tidy

        write_tidy(found, csv_file, force)
        yield f"Written: {csv_file}"
    if plots is not None:
        from ..show.plots import sweep as figures

        yield drawing(plots, lambda: figures.save_all(found, plots, force, again=again))
