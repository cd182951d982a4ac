"""`millsim droptest`: how hard must a piece be hit? Heavy imports stay inside."""

from pathlib import Path

import click

from ..errors import InputError, Problem
from .base import answer, check_plots, drawing, keep
from .inputs import decimal_option, force_option, material_option, path_type, plots_option, told_options


@click.command()
@click.argument("csv", type=path_type, metavar="CSV")
@material_option
@click.option("--reference", metavar="CARD", help="What the reference pieces are, by card: wheat, glass, ...")
@click.option("--card", type=path_type, metavar="OUT.toml", help="Write a material card with the measured strength.")
@plots_option("Draw the figures into this folder.")
@decimal_option
@told_options
@force_option
@click.pass_context
def droptest(ctx, csv, material, reference, card, plots, decimal, force) -> None:
    """Read a drop test: how hard must a piece be hit?

    CSV has columns such as hammer_mass_g, height_mm, piece_mass_mg (or piece_size_mm), broken (yes or no; or counts
    broken and tested), temperature_C, and drop or drops for repeats on one piece. See configs/demo_droptest.csv.
    A hammer on an arm: centre_mm (pivot to centre of mass), with arm_mm and the tip's height_mm, or angle_deg. Without
    the hammer's mass: pieces of wheat or glass hit too, marked yes in a column reference, and --reference wheat.
    """
    from ..mill.cards import load_material
    from ..record.files import check_target

    if card is not None:
        check_target(card, force, "--card", "card.toml")
    check_plots(plots, tuple, force)
    base = load_material(material, Path())
    from ..learn.measured.dropsheet import read_drops
    from ..learn.measured.droptest import analyse

    known = None if reference is None else load_material(reference, Path())
    test = analyse(read_drops(csv, base, decimal or "", known))
    if plots is not None and not test.sheet.mass_known:
        hint = "leave it out, or weigh the hammer"
        raise InputError(
            Problem("--plots", "", "needs the hammer's mass: energies are known as ratios only", hint=hint)
        )
    from ..show.words import bench, bench_json, cautions

    written = _written(ctx, test, base, card, plots, force)
    name = card.name if card else None
    case = cautions.case_of_card(base, (g.temperature_K[1] for g in test.groups))
    answer(
        ctx, lambda: bench_json.drop_json(test, name, base), lambda: bench.drop_text(test, base), written=written,
        caution=cautions.at("droptest", case), short=lambda: bench.drop_short(test, base),
    )  # fmt: skip


def _written(ctx: click.Context, test, base, card: Path | None, plots: Path | None, force: bool):
    """Write card and figures; a line for each."""
    if card is not None:
        from ..learn.measured.dropcard import drop_card, undetermined
        from ..mill.cards import card_toml
        from ..record.files import write_bytes

        measured = drop_card(test, base)
        write_bytes(card, card_toml(measured).encode(), force)
        keep(ctx, f"the card is in {card}.")
        if open_ := undetermined(measured):
            yield f"Not measured, on the card with the basis of {base.title}: {', '.join(open_)}"
        yield f'Written: {card} (name it in a config: [feed] material = "{card.name}")'
    if plots is not None:
        from ..show.plots import bench

        yield drawing(plots, lambda: bench.save_drop(test, plots, force))
