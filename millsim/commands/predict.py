"""`millsim predict`: powder, rate, energy and heat of a mill. Heavy imports stay inside."""

import shlex
from dataclasses import replace
from pathlib import Path, PureWindowsPath

import click

from .base import answer, check_plots, drawing, exit_code, keep, working
from .inputs import force_option, path_type, plots_option, set_option, told_options

_PATHS = ("feed.material", "feed.size.sheet", "feed.size.file", "calibration.card")  # whose value may be a path


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
    from ..mill.config.mill import load_config
    from ..record.files import check_target

    if out is not None:
        check_target(out, force)
    check_plots(plots, _file_names, force)
    loaded = load_config(config, list(settings))
    with working(ctx) as report:
        prediction = _run(loaded, engine, seed, _command(config, engine, seed, settings), report)
    from ..show.words import cautions
    from ..show.words import prediction as words
    from ..show.words.prediction_short import to_short

    written = _written(ctx, prediction, out, plots, force)
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
    from ..learn.calibration import nextstep

    return replace(prediction, advised=nextstep.first(config, lambda done: report("measure next", done)))


def _written(ctx: click.Context, prediction, out: Path | None, plots: Path | None, force: bool):
    """Write what was asked for; a line for each."""
    from ..record import write
    from ..show.plots import prediction as figures

    if out is not None:
        write.write(prediction, out, force)
        keep(ctx, f"the prediction is in {out}.")
        yield f"Written: {out}"
    if plots is not None:
        yield drawing(ctx, plots, lambda: figures.save_all(prediction, plots, force))
    if out is None and plots is None:
        yield "Nothing was saved; add --out FILE.h5 to keep this prediction."


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
