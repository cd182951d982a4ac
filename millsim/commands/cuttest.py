"""`millsim cuttest`: what does a kilogram of saw dust cost? Heavy imports stay inside."""

from pathlib import Path

import click

from ..errors import InputError, Problem
from .base import answer
from .inputs import (
    at_option,
    decimal_option,
    efficiency_option,
    json_option,
    material_option,
    meter_option,
    path_type,
    quantity,
)


@click.command()
@click.argument("csv", type=path_type, metavar="CSV")
@material_option
@click.option("--motor", metavar='"800 W"', help="Shaft power: how much powder would it make at most?")
@meter_option
@at_option
@efficiency_option
@decimal_option
@json_option
@click.pass_context
def cuttest(ctx, csv, material, motor, meter, at, efficiency, decimal) -> None:
    """Read a cut test: what does a kilogram of saw dust cost?

    CSV has columns power_loaded_W, power_idle_W, time_s, and removed_g or kerf_mm, length_mm and depth_mm (with
    density_kg/m3, else the card's). Rows are repeats.
    """
    from ..mill.cards import load_material

    motor_W = quantity(motor, "--motor", "W", 1.0, 1e5, "W", '"800 W"')
    if efficiency is not None and at == "shaft":
        raise InputError(Problem("--efficiency", "", "has no meaning with --at shaft", hint="leave it out"))
    from ..learn.measured.cuttest import read_cuts

    share = None if meter is None else meter / 100.0
    test = read_cuts(csv, load_material(material, Path()), share, at, efficiency, decimal or "")
    from ..show.words import bench, bench_json

    answer(ctx, lambda: bench_json.cut_json(test, motor_W), lambda: bench.cut_text(test, motor_W))
