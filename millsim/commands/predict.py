"""`millsim predict`: powder, rate, energy and heat of a mill. Heavy imports stay inside."""

import shlex
from dataclasses import replace
from pathlib import Path

import click

from .base import answer, check_plots, drawing, exit_code, keep, working
from .inputs import force_option, path_type, plots_option, set_option, told_options


@click.command()
@click.argument("config", type=path_type)
@click.option("--engine", type=click.Choice(["montecarlo", "balance", "both"]), help="Default: as the config says.")
@click.option("--out", type=path_type, metavar="FILE.h5", help="Keep the prediction in this file.")
@click.option("--seed", type=click.IntRange(0, 2**63 - 1), help="Default: as the config says, else a fresh one.")
@plots_option("Draw the figures into this folder.")
@set_option
@told_options
@force_option
@click.pass_context
def predict(ctx, config, engine, out, seed, plots, settings, force) -> None:
    """Predict powder, rate, energy and heat of a mill.

    CONFIG is a TOML file; see configs/demo.toml. The report goes to stdout; nothing is saved without
    --out or --plots.
    """
    from ..mill.config import since
    from ..mill.config.mill import load_config
    from ..record.files import check_target

    loaded, command = load_config(config, list(settings)), _command(config, engine, seed, settings)
    kept = None if plots is None or out is None or force else _kept(out, loaded, command)
    if out is not None:
        check_target(out, force or kept is not None)
    check_plots(plots, _file_names, force)
    with working(ctx) as report:
        prediction = kept or replace(_run(loaded, engine, seed, command, report), origin=since.kept(config, settings))
    from ..show.words import cautions
    from ..show.words import prediction as words
    from ..show.words.prediction_short import to_short

    written = _written(ctx, prediction, out, plots, force, kept is not None)
    code = exit_code(prediction.status)
    caution = cautions.at("predict", cautions.case_of_prediction(prediction))
    as_json, as_text = (lambda: words.to_json(prediction)), (lambda: words.to_text(prediction))
    answer(ctx, as_json, as_text, code, written, caution=caution, short=lambda: to_short(prediction))


def _file_names() -> list[str]:
    from ..show.plots.prediction import file_names

    return file_names()


def _run(config, engine: str | None, seed: int | None, command: str, report):
    from ..studies import advised

    prediction = advised.predict(config, engine=engine, seed=seed, command=command, progress=report)
    if not prediction.runs or not config.run.band_samples:
        return prediction
    from ..learn.calibration import firststep

    return replace(prediction, advised=firststep.first(config, lambda done: report("measure next", done)))


def _kept(out: Path, config, command: str):
    """What this command has kept and not drawn, as it was stopped while drawing; None where that is not so."""
    from ..errors import InputError
    from ..record import read
    from ..version import MODEL_VERSION, __version__

    if not out.is_file():
        return None
    try:
        p = read.read(out)
    except InputError:
        return None
    is_this = (p.command, p.config_sha256, p.model_version, p.version) == (
        command, config.sha256, MODEL_VERSION, __version__
    )  # fmt: skip
    return p if is_this else None


def _written(ctx: click.Context, prediction, out: Path | None, plots: Path | None, force: bool, is_there: bool):
    """Write what was asked for; a line for each."""
    from ..record import write
    from ..show.plots import prediction as figures

    if out is not None:
        if not is_there:
            write.write(prediction, out, force)
        keep(ctx, f"the prediction is in {out}{'; the same command goes on from there' if plots else ''}.")
        yield f"Kept before: {out}" if is_there else f"Written: {out}"
    if plots is not None:
        yield drawing(plots, lambda: figures.save_all(prediction, plots, force))
    if out is None and plots is None:
        yield "Nothing was saved; add --out FILE.h5 to keep this prediction."


def _command(config: Path, engine: str | None, seed: int | None, settings: tuple[str, ...]) -> str:
    """The command that repeats the prediction; no folders or outputs, so equal inputs give equal files."""
    from ..mill.config.paths import shortened, without_folder

    words = ["millsim", "predict", config.name]
    words += ["--engine", engine] if engine else []
    words += ["--seed", str(seed)] if seed is not None else []
    for setting in settings:
        words += ["--set", shortened(setting, without_folder)]
    return shlex.join(words)
