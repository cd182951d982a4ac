"""The command `millsim sieve`: reads sieve sheets, asks what they leave open, reports. Heavy imports stay inside."""

import math
from functools import partial
from pathlib import Path

import click

from ..errors import InputError, Problem
from .base import answer, check_plots, tell
from .inputs import Inputs, force_option, path_type, plots_option, told_options

_HELP = {
    "aperture": "Unit of apertures that carry none.",
    "reading": "What the amounts are; oversize is retained on a sieve and all coarser ones.",
    "unit": "Unit of the amounts; share is a share of 1.",
    "charge": "What was put on the sieves, e.g. 50 g.",
    "additive": "Anti-static or flow aid in the charge, e.g. 0.25 g; it is taken off the pan.",
    "pan": "Mass in the pan, or what became of it where it was not weighed: passed or lost.",
    "sort": "Put cumulative amounts typed in the wrong order into the order of the apertures.",
    "decimal": "Mark before the decimals.",
    "method": "How the sizes were measured, where the sheet does not tell.",
    "limit": "What one column of sizes of laser diffraction holds: limits or middles of classes.",
}


_OF_SIEVES = ("charge", "additive", "pan", "sort")


def _answers(command):
    """The flags that answer the questions a sheet can raise."""
    choices = {
        "aperture": ("mm", "um", "in", "mesh"),
        "reading": ("retained", "oversize", "passing"),
        "unit": ("g", "mg", "kg", "percent", "share"),
        "decimal": ("point", "comma"),
        "method": ("sieves", "laser"),
        "limit": ("lower", "upper", "middle"),
    }
    for name in reversed(_HELP):
        kind = click.Choice(choices[name]) if name in choices else None
        metavar = None if kind or name == "sort" else "passed|lost|MASS" if name == "pan" else "MASS"
        option = click.option(f"--{name}", help=_HELP[name], type=kind, metavar=metavar, is_flag=name == "sort")
        command = option(command)
    return command


@click.command()
@click.argument("sheets", type=path_type, nargs=-1, required=True, metavar="SHEET.csv...")
@_answers
@click.option("--window", metavar='"150 um:500 um"', help="Tell the share between two sizes; either may be left out.")
@click.option("--against", type=path_type, multiple=True, metavar="SHEET.csv", help="Is this finer? Repeatable.")
@plots_option("Draw the figures into this folder.")
@click.option("--csv", "csv_file", type=path_type, metavar="FILE", help="Write the table of one sheet.")
@told_options
@force_option
@click.pass_context
def sieve(ctx, sheets, window, against, plots, csv_file, force, **answers) -> None:
    """Read sieve sheets: how fine is the powder?

    SHEET.csv has a line naming two columns, e.g. aperture_mm,retained_g, a row per sieve, a row pan, and if known a
    row charge. Or it is one of laser diffraction: lower_um,upper_um,volume_percent and a row per class. Several sheets
    count as replicates. What a sheet leaves open is asked for; the options answer.
    """
    limits = None if window is None else _window(window)
    _check_outputs(sheets, plots, csv_file, force)
    first, second = _read(sheets, answers), _read(against, answers)
    _one_method([*first, *second])
    _answers_fit(first[0], answers)
    from ..show.words import sieve as words

    finer = _finer(first, second) if second else None

    compared = "" if finer is None else words.finer_text(finer, len(words.medians(first)), len(words.medians(second)))

    def text() -> str:
        said = words.report(first[0], limits) if len(first) == 1 else words.replicates_report(first, limits)
        return f"{said}\n{words.wrapped(compared)}" if compared else said

    written = _written(first, second, csv_file, plots, force)
    short = partial(words.sieve_short, first, limits, compared)
    answer(ctx, lambda: _json(first, finer, limits), text, written=written, short=short)


def _written(first: list, second: list, csv_file: Path | None, plots: Path | None, force: bool):
    """Write what was asked for; a line for each."""
    if csv_file is not None:
        from ..record.files import write_bytes
        from ..show.words.sieve_json import csv_text

        write_bytes(csv_file, csv_text(first[0]).encode(), force)
        yield f"Written: {csv_file}"
    if plots is not None:
        from ..show.plots.sieve import save_all

        yield f"Drawn: {len(save_all([*first, *second], plots, force))} figures in {plots}"


def _read(paths, answers: dict) -> list:
    """The sheets; the problems of all of them at once, after showing what a question is about."""
    from ..base.quantities.written import table
    from ..base.reading.doubts import Doubt
    from ..base.reading.sheet import read_sheet

    def read(path):
        try:
            return read_sheet(path, **answers)
        except Doubt as doubt:
            tell([f"{path}, as read:", *table(("aperture µm", "amount"), reversed(doubt.rows))])
            raise

    with Inputs() as given:
        return [given.read(read, path) for path in paths]


def _one_method(sheets: list) -> None:
    """Refuse to set sieve sizes beside those of a laser: they differ by the shape of the particles."""
    laser = next((s for s in sheets if s.by_laser), None)
    sieved = next((s for s in sheets if not s.by_laser), None)
    if laser and sieved:
        message = f"is of laser diffraction, {sieved.path.name} of sieves: their sizes differ by the particles' shape"
        raise InputError(Problem(str(laser.path), "", message, hint="ask about the two apart"))


def _answers_fit(sheet, answers: dict) -> None:
    """Refuse answers that only the other kind of sheet can need."""
    names, kind = (_OF_SIEVES, "sieves") if sheet.by_laser else (("limit",), "laser diffraction")
    given = [name for name in names if answers[name]]
    if given:
        read = "laser diffraction, which weighs nothing" if sheet.by_laser else "sieves"
        message = f"is for a sheet of {kind}, and {sheet.path.name} was read as one of {read}"
        hint = "leave it out, or say --method"
        raise InputError([Problem(f"--{name}", "", message, hint=hint) for name in given])


def _window(text: str) -> tuple[float, float]:
    """Two sizes in m; an end left out is 0 or infinity."""
    from ..base.quantities.units import UnitError, parse

    low, colon, high = (part.strip() for part in text.partition(":"))
    allowed = 'two sizes such as "150 um:500 um"; one may be left out'
    if not colon or not (low or high):
        raise InputError(Problem("--window", "", f"{text!r} is not a window", allowed))
    try:
        ends = (parse(low, "m") if low else 0.0, parse(high, "m") if high else math.inf)
    except UnitError as error:
        raise InputError(Problem("--window", "", f"{text!r}: a size {error}", allowed, error.hint)) from None
    if not 0 <= ends[0] < ends[1]:
        raise InputError(Problem("--window", "", f"{text!r} does not go from finer to coarser", allowed))
    return ends


def _check_outputs(sheets, plots: Path | None, csv_file: Path | None, force: bool) -> None:
    """Find out before reading whether the results could be kept."""
    from ..record.files import check_folder, refuse_existing

    if csv_file is not None:
        if len(sheets) > 1:
            raise InputError(Problem("--csv", "", "writes the table of one sheet", hint="name one sheet"))
        if csv_file.is_dir():
            raise InputError(Problem("--csv", "", f"{csv_file} is a folder", hint="name a file"))
        if any(csv_file.exists() and csv_file.samefile(s) for s in sheets if s.exists()):
            raise InputError(Problem("--csv", "", f"{csv_file} is the sheet itself", hint="name another file"))
        if not force:
            refuse_existing(csv_file, "--csv")
        check_folder(csv_file.parent, "--csv")
    check_plots(plots, _file_names, force)


def _file_names() -> list[str]:
    from ..show.plots.sieve import FIGURES

    return [f"{name}.png" for name in FIGURES]


def _finer(first: list, second: list):
    """The comparison of --against; InputError where too few sheets determine x50."""
    from ..base.reading.fits import b_finer
    from ..show.words.sieve import medians

    try:
        return b_finer(medians(first), medians(second))
    except ValueError as error:
        raise InputError(Problem("--against", "", str(error), hint="sieve replicates of both")) from None


def _json(first: list, finer, limits) -> dict:
    """All that the report says, by key."""
    from ..base.reading.fits import scatter
    from ..show.words.sieve import medians
    from ..show.words.sieve_json import finer_json, scatter_json, to_json

    found = medians(first)
    return {
        "status": "ok",
        "sheets": [to_json(s, limits) for s in first],
        "x50_scatter": scatter_json(scatter(found)) if len(found) > 1 else None,
        "against": finer_json(finer) if finer else None,
    }
