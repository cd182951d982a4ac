"""The command line: predict, check, plot, export, materials. stdout carries data, stderr talk.

Heavy imports stay inside the commands.
"""

import shlex
import sys
from collections.abc import Callable
from pathlib import Path, PureWindowsPath

import click

from ..errors import MillsimError
from ..version import MODEL_VERSION, __version__
from .base import INTERRUPTS, KEPT, Group, force_option, json_done, json_option, path_type, set_option, tell
from .bench import cuttest, droptest, energy, idle
from .calibrate import calibrate, compare, next_
from .check import check
from .choose import choose, targets
from .circuit import circuit
from .draw import draw
from .heat import heat
from .progress import Progress
from .report import report, why_command
from .run import run_command
from .sieve import sieve
from .sweep import sweep
from .wear import wear

_PATHS = ("feed.material", "feed.size.sheet", "feed.size.file", "calibration.card")  # whose value may be a path


@click.group(cls=Group, context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.version_option(__version__, message=f"millsim {__version__}, model {MODEL_VERSION}")
@click.option("--debug", is_flag=True, help="Show a traceback when something fails.")
def cli(debug: bool) -> None:
    """Predict what a small rotor mill makes of its feed, before it is built."""


@cli.command()
@click.argument("config", type=path_type)
@click.option("--engine", type=click.Choice(["montecarlo", "balance", "both"]), help="Default: as the config says.")
@click.option("--out", type=path_type, metavar="FILE.h5", help="Keep the prediction in this file.")
@click.option("--seed", type=click.IntRange(0, 2**63 - 1), help="Default: as the config says, else a fresh one.")
@click.option("--plots", type=path_type, metavar="DIR", help="Draw the figures into this folder.")
@set_option
@json_option
@force_option
@click.pass_context
def predict(ctx, config, engine, out, seed, plots, settings, as_json, force) -> None:
    """Predict powder, rate, energy and heat of a mill.

    CONFIG is a TOML file; see configs/demo.toml. The report goes to stdout; nothing is saved without
    --out or --plots.
    """
    from ..mill.config.mill import load_config

    _check_outputs(out, plots, force)
    loaded = load_config(config, list(settings))
    command = _command(config, engine, seed, settings)
    prediction = _run(loaded, engine, seed, command, as_json, ctx.meta[INTERRUPTS].check)
    kept, failure = _keep(ctx, prediction, out, plots, force)
    from ..show.words import prediction as summary

    if as_json:
        json_done(ctx, summary.to_json(prediction))
    else:
        click.echo(summary.to_text(prediction), nl=False)
        tell(kept or ["Nothing was saved; add --out FILE.h5 to keep this prediction."])
    if failure is not None:
        raise failure


def _check_outputs(out: Path | None, plots: Path | None, force: bool) -> None:
    """Find out before computing whether the results could be kept."""
    from ..record.files import check_folder, check_target

    if out is not None:
        check_target(out, force)
    if plots is not None:
        from ..record.export import refuse_any_existing
        from ..show.plots.prediction import file_names

        check_folder(plots, "--plots", create=True)
        if not force:
            refuse_any_existing([plots / name for name in file_names()], "--plots")


def _run(config, engine: str | None, seed: int | None, command: str, as_json: bool, check: Callable[[], None]):
    """The prediction, with a line of progress; `check` raises an interrupt that was swallowed."""
    with Progress(quiet=as_json and not sys.stderr.isatty()) as progress:

        def report(stage: str, done: float, detail: str = "") -> None:
            check()
            progress(stage, done, detail)

        report("starting", 0.0)
        from ..forecast import run

        prediction = run.predict(config, engine=engine, seed=seed, command=command, progress=report)
        check()
        return prediction


def _keep(
    ctx: click.Context, prediction, out: Path | None, plots: Path | None, force: bool
) -> tuple[list[str], MillsimError | None]:
    """Write what was asked for; a failure is handed back, so that the answer is still printed."""
    from ..record import write
    from ..show.plots import prediction as figures

    kept: list[str] = []
    try:
        if out is not None:
            write.write(prediction, out, force)
            kept.append(f"Written: {out}")
            ctx.meta[KEPT] = f"the prediction is in {out}."
        if plots is not None:
            ctx.meta[KEPT] = f"{ctx.meta.get(KEPT, '')} Figures drawn so far stay in {plots}.".strip()
            paths = figures.save_all(prediction, plots, force)
            kept.append(f"Drawn: {len(paths)} figures in {plots}")
    except MillsimError as error:
        return kept, error
    return kept, None


def _command(config: Path, engine: str | None, seed: int | None, settings: tuple[str, ...]) -> str:
    """The command that repeats the prediction; no folders or outputs, so equal inputs give equal files."""
    words = ["millsim", "predict", config.name]
    words += ["--engine", engine] if engine else []
    words += ["--seed", str(seed)] if seed is not None else []
    for setting in settings:
        words += ["--set", _without_folder(setting)]
    return shlex.join(words)


def _without_folder(setting: str) -> str:
    """A setting whose value is the path of a file, reduced to the file's name: folders are nobody's business."""
    key, equals, value = setting.partition("=")
    if key.strip() not in _PATHS:
        return setting
    text = value.strip()
    quote = text[:1] if text[:1] in ("'", '"') else ""
    name = PureWindowsPath(text.strip("'\"")).name
    return f"{key}{equals}{quote}{name}{quote}"


@cli.command()
@click.argument("name", required=False)
def materials(name: str | None) -> None:
    """List the material cards, or print one.

    NAME is a card of the list or the path of a .toml file; every number is shown with what it rests on.
    """
    from ..mill import cards

    if name is None:
        names = cards.list_materials()
        width = max(map(len, names), default=0)
        click.echo("\n".join(f"{n:<{width}}  {cards.load_material(n).title}" for n in names))
        return
    click.echo(cards.format_table(cards.load_material(name, Path())).rstrip("\n"))


@cli.command()
@click.argument("file", type=path_type)
@click.option("-o", "--out", "folder", type=path_type, metavar="DIR", help="Default: FILE-figures beside FILE.")
@click.option("--svg", is_flag=True, help="Also as SVG.")
@force_option
def plot(file: Path, folder: Path | None, svg: bool, force: bool) -> None:
    """Draw the figures of a result FILE.

    Prints the paths written.
    """
    from ..record.read import read
    from ..show.plots import prediction as figures

    folder = folder or file.with_name(f"{file.stem}-figures")
    prediction = read(file)
    for path in figures.save_all(prediction, folder, force, svg):
        click.echo(path)


@cli.command()
@click.argument("file", type=path_type)
@click.option("-o", "--out", "folder", type=path_type, metavar="DIR", help="Default: FILE-tables beside FILE.")
@force_option
def export(file: Path, folder: Path | None, force: bool) -> None:
    """Write the tables of a result FILE as CSV.

    Prints the paths written.
    """
    from ..record.export import write_csv
    from ..record.read import read

    folder = folder or file.with_name(f"{file.stem}-tables")
    for path in write_csv(read(file), folder, force):
        click.echo(path)


def main() -> None:
    """Entry point of the `millsim` program."""
    cli(prog_name="millsim")


cli.add_command(check)
cli.add_command(run_command)
cli.add_command(sieve)
for _learning in (calibrate, compare, next_):
    cli.add_command(_learning)
for _bench in (droptest, cuttest, idle, energy):
    cli.add_command(_bench)
cli.add_command(heat)
cli.add_command(wear)
cli.add_command(draw)
cli.add_command(report)
cli.add_command(why_command)
cli.add_command(sweep)
cli.add_command(choose)
cli.add_command(targets)
cli.add_command(circuit)
