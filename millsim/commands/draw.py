"""`millsim draw`: the mill to scale on one sheet. Heavy imports stay inside."""

import tomllib
from pathlib import Path
from typing import TYPE_CHECKING

import click

from ..errors import InputError, Problem
from .base import answer, tell, wants_talk
from .inputs import force_option, json_option, path_type, quiet_option, set_option

if TYPE_CHECKING:
    from ..mill.config.mill import Config
    from ..record.prediction import Prediction

_SUFFIXES = ("png", "svg", "pdf")
_NOT_THE_MILL = ("mill", "run", "guard", "shaft", "day")  # sections of a config that change nothing of the powder


@click.command()
@click.argument("config", type=path_type)
@click.option(
    "-o", "--out", type=path_type, metavar="FILE.png|.svg|.pdf", help="Default: CONFIG-drawing.png beside CONFIG."
)
@click.option("--prediction", type=path_type, metavar="FILE.h5", help="Draw the powder this result predicts, too.")
@set_option
@quiet_option
@json_option
@force_option
@click.pass_context
def draw(ctx, config: Path, out: Path | None, prediction: Path | None, settings: tuple[str, ...], force: bool) -> None:
    """Draw the mill to scale.

    Front view, section and enlarged details of CONFIG on A4, with dimensions in mm: a wrong unit shows at a glance.
    Prints the path written.
    """
    from ..mill.config.mill import load_config

    out = out or config.with_name(f"{config.stem}-drawing.png")
    suffix = _check_output(out, force)
    loaded = load_config(config, list(settings))
    found = None if prediction is None else _prediction(prediction, loaded)
    from ..record.files import write_bytes
    from ..show.drawing.sheet import drawing, to_bytes
    from ..show.words import cautions

    write_bytes(out, to_bytes(drawing(loaded, found), suffix), force)
    caution = cautions.at("draw", cautions.case_of(loaded))
    as_json = {"written": [str(out)], "config_sha256": loaded.sha256, "caution": list(caution.sentences)}
    answer(ctx, lambda: as_json, lambda: str(out))
    if wants_talk(ctx):
        tell(caution.lines)


def _check_output(out: Path, force: bool) -> str:
    """The kind of the drawing; refused before any work is what could not be written."""
    from ..record.files import check_target

    suffix = out.suffix.lower().removeprefix(".")
    if suffix not in _SUFFIXES and not out.is_dir():
        name = out.with_suffix(".png").name if out.name else "drawing.png"
        message = f"{out}: the name of a drawing ends in .png, .svg or .pdf"
        raise InputError(Problem("-o", "", message, hint=f"write {name}"))
    check_target(out, force, "-o", f"drawing.{suffix or 'png'}")
    return suffix


def _prediction(path: Path, config: "Config") -> "Prediction":
    """The prediction of a result file; refused when it was made for another mill."""
    from ..record import read

    prediction = read.read(path)
    if of_the_mill(prediction.config_text) != of_the_mill(config.text):
        message = f"was predicted for another mill (config {prediction.config_sha256[:12]}, not {config.sha256[:12]})"
        hint = "predict this config first, with the same --set: millsim predict CONFIG --out FILE.h5"
        raise InputError(Problem(str(path), "", message, hint=hint))
    return prediction


def of_the_mill(text: str) -> dict:
    """What of a resolved config the powder depends on: no name, no way of computing, no keys only a review reads."""
    from ..base.reading.key import AS_MUCH, AS_MUCH_BEFORE
    from ..mill.config.schema import SECTIONS

    spare = {(section, key.name) for section, keys in SECTIONS.items() for key in keys if key.derivable}
    spare -= {("sieve", "pitch"), ("sieve", "wire")}  # these may be left out, too, but matter
    tables = {name: table for name, table in tomllib.loads(text).items() if name not in _NOT_THE_MILL}
    if tables.get("feed", {}).get("rate") == AS_MUCH_BEFORE:
        tables["feed"]["rate"] = AS_MUCH
    return {n: {k: v for k, v in table.items() if (n, k) not in spare} for n, table in tables.items()}
