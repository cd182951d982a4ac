"""`millsim book`: a notebook of builds in a folder, and what is entered; bookshow.py looks at it. Light imports."""

from pathlib import Path

import click

from ..errors import InputError, Problem
from .base import answer, exit_code, working
from .bookshow import calibrate, show, window
from .inputs import Inputs, json_option, path_type, quantity, quiet_option, set_option, told_options

_SIZES = ("x10", "x50", "x90")
_VERDICTS = ["good", "too coarse", "too fine"]
note_option = click.option("--note", default="", metavar="TEXT", help="Anything worth remembering.")
photo_option = click.option("--photo", default="", metavar="FILE", help="Name of a photo; the photo stays where it is.")
seed_option = click.option("--seed", type=click.IntRange(0, 2**63 - 1), default=1, show_default=True)


@click.group("book", short_help="Keep a notebook of builds, forecasts and runs.")
def book() -> None:
    """Keep a notebook of builds: what was built, predicted, measured, and used.

    BOOK is a folder of plain files, made by the first `millsim book add BOOK MILL.toml`. Predictions in it are dated
    and never changed, so runs show how good the forecasts were, and whether they get better.
    """


@book.command("add")
@click.argument("folder", type=path_type, metavar="BOOK")
@click.argument("mill", type=path_type, metavar="MILL.toml|PREDICTION.h5")
@click.option("--name", metavar="NAME", help="Of the build. Default: that of the mill.")
@note_option
@photo_option
@seed_option
@set_option
@told_options
@click.pass_context
def add(ctx, folder, mill, name, note, photo, seed, settings) -> None:
    """Enter a build, with its prediction as it is before any run.

    MILL.toml is predicted now; a stored prediction (.h5) is taken as it is, with the date on which it was made.
    """
    from ..learn.book import enter

    if not name:
        _refuse_twice(folder, mill, settings)
    config, prediction = _predicted(ctx, mill, settings, seed)
    name = name or config.name
    path = enter.build(folder, config, prediction, name, note, Path(photo).name)
    _answer_forecast(ctx, prediction, path, f"{path.name}: entered in {folder} as a build")


@book.command("predict")
@click.argument("folder", type=path_type, metavar="BOOK")
@click.argument("build", metavar="BUILD")
@click.option("--calibrated", is_flag=True, help="With the newest calibrated card of the notebook.")
@seed_option
@set_option
@told_options
@click.pass_context
def predict(ctx, folder, build, calibrated, seed, settings) -> None:
    """Enter one more prediction of a build, such as for another sieve, or after a calibration."""
    from ..learn.book import enter, pages

    found = pages.read_book(folder)
    b = found.build(build)
    if calibrated and not found.cards:
        raise InputError(Problem(str(folder), "", "has no card yet", hint=f"millsim book calibrate {folder}"))
    if calibrated:
        card = (found.cards[-1].folder / pages.CARD).absolute()
        settings = (*settings, f'calibration.card="{card.as_posix()}"')
    _, prediction = _predicted(ctx, b.entry.folder / pages.MILL, settings, seed)
    said = "; ".join(s for s in settings if not s.startswith("calibration.card"))
    said = "; ".join(filter(None, (said, f"card {found.cards[-1].key}" if calibrated else "")))
    path = enter.forecast(b, prediction, said)
    _answer_forecast(ctx, prediction, path, f"{b.key}: a forecast is entered as {path.name}")


@book.command("run")
@click.argument("folder", type=path_type, metavar="BOOK")
@click.argument("build", metavar="BUILD")
@click.argument("sheets", nargs=-1, required=True, type=path_type, metavar="RUN.toml...")
@click.option("--instead", metavar="RUN", help="A run of this build that the one given corrects; it is kept, not used.")
@quiet_option
@json_option
@click.pass_context
def run(ctx, folder, build, sheets, instead) -> None:
    """Enter measured runs of a build, and say how its forecast did."""
    from ..learn.book import enter, pages, table
    from ..learn.measured.runsheet import read_run
    from ..show.words import book as words
    from ..show.words import cautions

    with Inputs() as given:
        found = given.read(pages.read_book, folder)
        runs = [given.read(read_run, s) for s in sheets]
    b = found.build(build)
    old = found.run(f"{b.key}/{instead}")[1] if instead else None
    keys = []
    for sheet in runs:
        keys.append(enter.run(pages.read_book(folder), b, sheet, old).name)
        old = None
    rows = [r for r in table.rows(pages.read_book(folder)) if r.build.key == b.key and r.run.entry.key in keys]
    caution = cautions.at("run", *(cautions.case_of(r.config) for r in runs))
    answer(
        ctx,
        lambda: {"status": "ok", "build": b.key, "runs": [words.row_json(r) for r in rows]},
        lambda: words.entered_text(b.key, rows),
        caution=caution,
    )


@book.command("note")
@click.argument("folder", type=path_type, metavar="BOOK")
@click.argument("build", metavar="BUILD")
@click.argument("text")
@photo_option
@quiet_option
@json_option
@click.pass_context
def note(ctx, folder, build, text, photo) -> None:
    """Enter a note on a build."""
    from ..learn.book import enter, pages

    b = pages.read_book(folder).build(build)
    path = enter.note(b.entry.folder, text, Path(photo).name)
    answer(ctx, lambda: {"status": "ok", "build": b.key, "note": path.name}, lambda: f"{b.key}: noted in {path.name}.")


@book.command("trial")
@click.argument("folder", type=path_type, metavar="BOOK")
@click.option("--use", required=True, metavar="WORD", help='What it was used for, e.g. "printed", "moulded".')
@click.option("--verdict", required=True, type=click.Choice(_VERDICTS), help="What came of it.")
@click.option("--run", "of", metavar="BUILD/RUN", help="The run whose powder it was.")
@click.option("--sieving", type=path_type, metavar="SHEET.csv", help="A sieving of the powder that was used.")
@click.option("--x10", metavar="SIZE", help="Of the powder, where no sheet says it.")
@click.option("--x50", metavar="SIZE", help='The same, e.g. "0.3 mm".')
@click.option("--x90", metavar="SIZE", help="The same.")
@note_option
@quiet_option
@json_option
@click.pass_context
def trial(ctx, folder, use, verdict, of, sieving, note, **given) -> None:
    """Enter a trial of a powder's use; `millsim book window` learns from these what sizes the use takes."""
    from ..learn.book import enter
    from ..show.words import trials as words

    if sum(map(bool, (of, sieving, any(given.values())))) != 1:
        hint = "name a run (--run), a sheet (--sieving), or its sizes (--x50)"
        raise InputError(Problem("trial", "", "says in more ways than one, or in none, what powder it was", hint=hint))
    sizes = {n: quantity(v, f"--{n}", "m", 1e-6, 0.0315, "mm", '"0.3 mm"') for n, v in given.items() if v}
    sizes, of = (sizes, of or "") if any(given.values()) else _sizes(folder, of, sieving)
    path = enter.trial(folder, " ".join(use.split()).lower(), verdict, sizes, sieving, of, note)
    answer(
        ctx,
        lambda: {"status": "ok", "trial": path.name, "sizes_m": sizes},
        lambda: words.entered_text(path.name, sizes),
    )


for _command in (show, calibrate, window):
    book.add_command(_command)
for _command in book.commands.values():
    _command.epilog = "Exit codes: millsim --help."


def _refuse_twice(folder: Path, mill: Path, settings) -> None:
    """A mill that is there already is not entered again under the same name unasked."""
    from ..learn.book import pages, store
    from ..mill.config.mill import load_config
    from ..record import read

    stored = mill.suffix.lower() == ".h5"
    if not store.is_book(folder) or (stored and settings):  # the settings are refused as such
        return
    digest = read.read(mill).config_sha256 if stored else load_config(mill, list(settings)).sha256
    same = [b for b in pages.read_book(folder).builds if b.entry.text("config_sha256") == digest]
    if same:
        hint = f"`millsim book predict {folder} {same[0].key}` predicts it anew; --name enters it as another build"
        raise InputError(Problem(str(mill), "", f"is there already: {same[0].key}", hint=hint))


def _predicted(ctx: click.Context, mill: Path, settings, seed: int):
    """(config, prediction) of a mill to be predicted now, or of a stored prediction."""
    from ..mill.config.mill import load_config, parse_config
    from ..record import read
    from ..studies import advised

    if mill.suffix.lower() == ".h5":
        if settings:
            raise InputError(Problem("--set", "", "changes nothing of a stored prediction", hint="name the config"))
        stored = read.read(mill)
        return parse_config(stored.config_text, str(mill)), stored
    config = load_config(mill, list(settings))
    with working(ctx) as report:
        command = f"millsim predict mill.toml --seed {seed}"
        return config, advised.predict(config, seed=seed, command=command, progress=report)


def _answer_forecast(ctx: click.Context, prediction, path: Path, text: str) -> None:
    """Tell a forecast that was entered, in the few figures that a run will be held against."""
    from ..show.words import book as words
    from ..show.words import cautions
    from ..show.words.short import whole

    caution = cautions.at("predict", cautions.case_of_prediction(prediction))
    answer(
        ctx,
        lambda: words.forecast_json(prediction) | {"entry": path.name},
        lambda: words.forecast_text(prediction, text),
        exit_code(prediction.status),
        caution=caution,
        short=lambda: whole(words.forecast_text(prediction, text)),
    )


def _sizes(folder: Path, of: str | None, sieving: Path | None) -> tuple[dict[str, float], str]:
    """(sizes of a powder by name, its run) as the sheet of a run or of its own tells them."""
    from ..learn.book import pages

    if sieving is None:
        from ..learn.calibration.repeats import readings

        build, run = pages.read_book(folder).run(of or "")
        read = readings(run.sheet)
        return {n: read[f"{n}_m"].value for n in _SIZES if f"{n}_m" in read}, f"{build.key}/{run.entry.key}"
    from ..base.numerics.psd import x_at
    from ..base.reading.sheet import read_sheet

    sheet = read_sheet(sieving)
    if sheet.by_laser:
        message = "is of laser diffraction, and what is learned of trials holds for sieve sizes"
        raise InputError(Problem(str(sieving), "", message, hint="sieve the powder"))
    found = {n: float(x_at(sheet.apertures_m, sheet.q3, p)) for n, p in zip(_SIZES, (0.1, 0.5, 0.9), strict=True)}
    return {n: v for n, v in found.items() if v == v}, ""
