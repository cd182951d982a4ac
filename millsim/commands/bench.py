"""The commands for bench tests: droptest, cuttest, idle, and the cross-check energy. Heavy imports stay inside."""

from pathlib import Path

import click

from ..base.reading.values import Bad, as_quantity
from ..errors import InputError, MillsimError, Problem
from .base import KEPT, force_option, json_done, json_option, path_type, set_option, tell

decimal_option = click.option("--decimal", type=click.Choice(["point", "comma"]), help="Mark before the decimals.")
plots_option = click.option("--plots", type=path_type, metavar="DIR", help="Draw the figures into this folder.")
material_option = click.option(
    "--material", default="pmma", show_default=True, metavar="CARD", help="Material card, by name or path."
)
meter_option = click.option("--meter", type=click.FloatRange(0.05, 30.0), help="Meter class, ± %. Assumed 3.")
at_option = click.option(
    "--at", type=click.Choice(["mains", "shaft"]), default="mains", show_default=True, help="Where watts were measured."
)
efficiency_option = click.option(
    "--efficiency", type=click.FloatRange(0.05, 1.0), help="Shaft over mains watts of the motor."
)


def _quantity(
    text: str | None, option: str, si: str, low: float, high: float, shown: str, example: str
) -> float | None:
    """SI value of an option such as "800 W"; InputError naming the option."""
    from ..base.quantities.units import readable

    if text is None:
        return None
    try:
        return as_quantity(text, si, low, high, shown, f"{readable(low, shown)} to {readable(high, shown)}", example)
    except Bad as bad:
        raise InputError(Problem(option, "", bad.message, bad.allowed, bad.hint)) from None


def _check_plots(folder: Path | None) -> None:
    from ..record.files import check_folder

    if folder is not None:
        check_folder(folder, "--plots", create=True)


@click.command()
@click.argument("csv", type=path_type, metavar="CSV")
@material_option
@click.option("--card", type=path_type, metavar="OUT.toml", help="Write a material card with the measured strength.")
@plots_option
@decimal_option
@json_option
@force_option
@click.pass_context
def droptest(ctx, csv, material, card, plots, decimal, as_json, force) -> None:
    """Read a drop test: how hard must a piece be hit?

    CSV has columns such as hammer_mass_g, height_mm, piece_mass_mg (or piece_size_mm), broken (yes or no; or counts
    broken and tested), temperature_C, and drop or drops for repeats on one piece. See configs/demo_droptest.csv.
    """
    from ..mill.cards import load_material
    from ..record.files import check_target

    if card is not None:
        check_target(card, force, "--card", "card.toml")
    _check_plots(plots)
    base = load_material(material, Path())
    from ..learn.measured.dropsheet import read_drops
    from ..learn.measured.droptest import analyse

    test = analyse(read_drops(csv, base, decimal or ""))
    from ..show.words import bench, bench_json

    kept, failure = _keep_drop(ctx, test, base, card, plots, force)
    if as_json and failure is None:
        json_done(ctx, bench_json.drop_json(test, card.name if card else None))
    elif not as_json:
        click.echo(bench.drop_text(test), nl=False)
        tell(kept)
    if failure is not None:
        raise failure


def _keep_drop(
    ctx, test, base, card: Path | None, plots: Path | None, force: bool
) -> tuple[list[str], MillsimError | None]:
    """Write card and figures; a failure is handed back, so that the report is still printed."""
    kept = []
    try:
        if card is not None:
            from ..learn.measured.dropcard import drop_card, undetermined
            from ..mill.cards import card_toml
            from ..record.files import write_bytes

            measured = drop_card(test, base)
            write_bytes(card, card_toml(measured).encode(), force)
            if open_ := undetermined(measured):
                kept.append(f"Not measured, on the card with the basis of {base.title}: {', '.join(open_)}")
            kept.append(f'Written: {card} (name it in a config: [feed] material = "{card.name}")')
            ctx.meta[KEPT] = f"the card is in {card}."
        if plots is not None:
            from ..show.plots import bench

            kept.append(f"Drawn: {len(bench.save_drop(test, plots, force))} figures in {plots}")
    except MillsimError as error:
        return kept, error
    return kept, None


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
def cuttest(ctx, csv, material, motor, meter, at, efficiency, decimal, as_json) -> None:
    """Read a cut test: what does a kilogram of saw dust cost?

    CSV has columns power_loaded_W, power_idle_W, time_s, and removed_g or kerf_mm, length_mm and depth_mm (with
    density_kg/m3, else the card's). Rows are repeats.
    """
    from ..mill.cards import load_material

    motor_W = _quantity(motor, "--motor", "W", 1.0, 1e5, "W", '"800 W"')
    if efficiency is not None and at == "shaft":
        raise InputError(Problem("--efficiency", "", "has no meaning with --at shaft", hint="leave it out"))
    from ..learn.measured.cuttest import read_cuts

    share = None if meter is None else meter / 100.0
    test = read_cuts(csv, load_material(material, Path()), share, at, efficiency, decimal or "")
    from ..show.words import bench, bench_json

    if as_json:
        json_done(ctx, bench_json.cut_json(test, motor_W))
    else:
        click.echo(bench.cut_text(test, motor_W), nl=False)


@click.command()
@click.argument("csv", type=path_type, metavar="CSV")
@click.option("--config", type=path_type, metavar="CONFIG", help="Compare with this mill; tells what to put into it.")
@set_option
@meter_option
@at_option
@efficiency_option
@click.option("--temperature", metavar='"40 °C"', help="Of the air in the empty mill. Default: the config's room.")
@plots_option
@decimal_option
@json_option
@force_option
@click.pass_context
def idle(ctx, csv, config, settings, meter, at, efficiency, temperature, plots, decimal, as_json, force) -> None:
    """Read an idle run: watts of the empty mill at several speeds.

    CSV has columns speed_rpm and power_W. Parts bearings from windage, and with --config sets both beside the model.
    See configs/demo_idle.csv.
    """
    T = _quantity(temperature, "--temperature", "K", 150.0, 450.0, "degC", '"40 °C"')
    _idle_options(config, settings, at, efficiency, temperature)
    _check_plots(plots)
    from ..learn.measured.idlerun import compare, read_idle

    loaded = None
    if config is not None:
        from ..mill.config.mill import load_config

        loaded = load_config(config, list(settings))
    fit = read_idle(csv, at, None if meter is None else meter / 100.0, decimal or "")
    model = None if loaded is None else compare(fit, loaded, efficiency, T)
    from ..show.words import bench_json
    from ..show.words import idle as idle_words

    kept, failure = _keep_idle(fit, model, plots, force)
    if as_json and failure is None:
        json_done(ctx, bench_json.idle_json(fit, model))
    elif not as_json:
        click.echo(idle_words.idle_text(fit, model), nl=False)
        tell(kept)
    if failure is not None:
        raise failure


def _keep_idle(fit, model, plots: Path | None, force: bool) -> tuple[list[str], MillsimError | None]:
    """Draw; a failure is handed back, so that the report is still printed."""
    if plots is None:
        return [], None
    from ..show.plots import bench

    try:
        return [f"Drawn: {bench.save_idle(fit, model, plots, force)}"], None
    except MillsimError as error:
        return [], error


def _idle_options(config, settings, at: str, efficiency: float | None, temperature: str | None) -> None:
    """Options that would be without effect are refused, not ignored."""
    problems = []
    given = {"--set": bool(settings), "--efficiency": efficiency is not None, "--temperature": temperature is not None}
    for name, is_given in given.items():
        if is_given and config is None:
            problems.append(Problem(name, "", "has no meaning without --config", hint="name the mill with --config"))
    if efficiency is not None and at == "shaft":
        problems.append(Problem("--efficiency", "", "has no meaning with --at shaft", hint="leave it out"))
    if problems:
        raise InputError(problems)


@click.command()
@click.option("--law", type=click.Choice(["all", "rittinger", "bond", "kick"]), default="all", show_default=True)
@click.option("--from", "known", metavar='"50 mm:10 mm"', help="The size reduction that is known, coarse:fine.")
@click.option("--energy", metavar='"13 kJ/kg"', help="What that costs.")
@click.option("--work-index", metavar='"0.0127 kWh/kg"', help="Bond's, in place of --from and --energy.")
@click.option("--to", "asked", required=True, metavar='"75 mm:25 mm"', help="The reduction asked for.")
@click.option("--spend", metavar='"10 kJ/kg"', help="Ask for the size this reaches; --to then holds the start only.")
@click.option("--rate", metavar='"100 kg/h"', help="Tell the power, too.")
@json_option
@click.pass_context
def energy(ctx, law, known, energy, work_index, asked, spend, rate, as_json) -> None:
    """Kick, Bond and Rittinger as a cross-check.

    From one known size reduction and its energy to the energy of another one.
    """
    answers, basis, question = _energy(law, known, energy, work_index, asked, spend)
    flow = _quantity(rate, "--rate", "kg/s", 1e-9, 1e4, "kg/h", '"100 kg/h"')
    from ..show.words import energy as energy_words

    if as_json:
        json_done(ctx, energy_words.energy_json(answers, flow))
    else:
        click.echo(energy_words.energy_text(answers, basis, question, flow), nl=False)


def _energy(law, known, cost, work_index, asked, spend):
    """(answers, what was known, what was asked) of the energy command; InputError on contradictory options."""
    from ..show.words import energy as e

    sizes = _sizes(asked, "--to", 1 if spend else 2)
    spent = _quantity(spend, "--spend", "J/kg", 1e-3, 1e10, "kJ/kg", '"10 kJ/kg"')
    index = _quantity(work_index, "--work-index", "J/kg", 1.0, 1e9, "kWh/kg", '"0.0127 kWh/kg"')
    question = f"From {asked} by {spend}:" if spend else f"From {asked.replace(':', ' to ')}:"
    if index is not None:
        if known or cost or spend or law not in ("all", "bond"):
            hint = "use --work-index with --to alone; it is Bond's"
            message = "does not go with --from, --energy, --spend or another law"
            raise InputError(Problem("--work-index", "", message, hint=hint))
        return e.by_index(index, *sizes), f"Bond's work index is {work_index}.", question
    if not known or not cost:
        hint = 'for example --from "50 mm:10 mm" --energy "13 kJ/kg"'
        raise InputError(Problem("--from" if not known else "--energy", "", "is missing", hint=hint))
    pair = _sizes(known, "--from", 2)
    paid = _quantity(cost, "--energy", "J/kg", 1e-3, 1e10, "kJ/kg", '"13 kJ/kg"')
    laws = list(e.EXPONENTS) if law == "all" else [law]
    basis = f"Known: from {known.replace(':', ' to ')} costs {cost}."
    if spent is not None:
        return e.reached(laws, pair, paid, sizes[0], spent), basis, question
    return e.by_pair(laws, pair, paid, *sizes), basis, question


def _sizes(text: str, option: str, count: int) -> tuple[float, ...]:
    """Sizes [m] of "50 mm:10 mm", coarse first."""
    parts = text.split(":")
    example = '"50 mm:10 mm"' if count == 2 else '"50 mm"'
    if len(parts) != count:
        what = "two sizes with a colon between" if count == 2 else "one size, where --spend is given"
        raise InputError(Problem(option, "", f'"{text}" is not {what}', hint=f"for example {option} {example}"))
    sizes = tuple(_quantity(p.strip(), option, "m", 1e-9, 10.0, "mm", '"10 mm"') for p in parts)
    if count == 2 and sizes[0] <= sizes[1]:
        hint = "the coarse size comes first"
        raise InputError(Problem(option, "", f'"{text}" does not go from coarse to fine', hint=hint))
    return sizes
