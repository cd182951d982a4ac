"""`millsim cuttest`: what does a kilogram of sawdust cost? Heavy imports stay inside."""

from itertools import chain
from pathlib import Path

import click

from ..errors import InputError, Problem
from .base import answer, check_plots, keep, one_figure
from .inputs import (
    at_option,
    decimal_option,
    efficiency_option,
    force_option,
    material_option,
    meter_option,
    path_type,
    plots_option,
    quantity,
    told_options,
)

_FIGURE = "cuttest.png"


@click.command()
@click.argument("csv", type=path_type, metavar="CSV")
@material_option
@click.option("--motor", metavar='"800 W"', help="Shaft power: how much powder would it make at most?")
@click.option("--chip", metavar='"0.1 mm"', help="Size of the chips, by the median of the sieved dust.")
@click.option(
    "--edge",
    type=click.Choice(["blunt", "bevelled", "toothed"]),
    default="toothed",
    show_default=True,
    help="What cut: as the edges of a mill.",
)
@click.option(
    "--card", type=path_type, metavar="OUT.toml", help="Write a material card with the measured cutting work."
)
@plots_option("Draw the figure into this folder.")
@meter_option
@at_option
@efficiency_option
@decimal_option
@told_options
@force_option
@click.pass_context
def cuttest(ctx, csv, material, motor, chip, edge, card, plots, meter, at, efficiency, decimal, force) -> None:
    """Read a cut test: what does a kilogram of sawdust cost?

    CSV has columns power_loaded_W, power_idle_W, time_s, and removed_g or kerf_mm, length_mm and depth_mm (with
    density_kg/m3, else the card's), and may have chip_um, the size of the chips. Rows are repeats, or cuts with chips
    of several sizes.
    """
    from ..mill.cards import load_material
    from ..record.files import check_target

    motor_W = quantity(motor, "--motor", "W", 1.0, 1e5, "W", '"800 W"')
    chip_m = quantity(chip, "--chip", "m", 1e-6, 5e-3, "mm", '"0.1 mm"')
    if card is not None:
        check_target(card, force, "--card", "card.toml")
    check_plots(plots, lambda: [_FIGURE], force)
    if efficiency is not None and at == "shaft":
        raise InputError(Problem("--efficiency", "", "has no meaning with --at shaft", hint="leave it out"))
    from ..learn.measured.cuttest import read_cuts

    share = None if meter is None else meter / 100.0
    base = load_material(material, Path())
    test = read_cuts(csv, base, share, at, efficiency, decimal or "", chip_m)
    from ..show.words import bench, bench_json, cautions
    from ..show.words.short import whole

    def drawn():
        from ..show.plots.bench import cut_figure

        return cut_figure(test, motor_W)

    written = chain(_written(ctx, test, base, edge, card, force), one_figure(plots, _FIGURE, drawn, force))
    caution = cautions.at("cuttest", cautions.case_of_card(base))
    answer(
        ctx, lambda: bench_json.cut_json(test, motor_W), lambda: bench.cut_text(test, motor_W), written=written,
        caution=caution, short=lambda: whole(bench.cut_text(test, motor_W)),
    )  # fmt: skip


def _written(ctx: click.Context, test, base, edge: str, card: Path | None, force: bool):
    """Write the card; lines on what is on it and how it stands to the one it was copied from."""
    if card is None:
        return
    from ..learn.measured.cutcard import MEASURED, cut_card, told_beside
    from ..mill.cards import card_toml
    from ..record.files import write_bytes

    measured = cut_card(test, base, edge)
    write_bytes(card, card_toml(measured).encode(), force)
    keep(ctx, f"the card is in {card}.")
    yield told_beside(base, test, edge, [measured[name] for name in MEASURED])
    yield f"Yield stress: {measured['yield_stress'].note}."
    yield f'Written: {card} (name it in a config: [feed] material = "{card.name}")'
