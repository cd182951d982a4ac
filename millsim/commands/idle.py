"""`millsim idle`: watts of the empty mill at several speeds. Heavy imports stay inside."""

import click

from ..errors import InputError, Problem
from .base import answer, check_plots
from .inputs import (
    Inputs,
    at_option,
    decimal_option,
    efficiency_option,
    force_option,
    meter_option,
    path_type,
    plots_option,
    quantity,
    set_option,
    told_options,
)


@click.command(short_help="Read an idle run: watts of the empty mill.")
@click.argument("csv", type=path_type, metavar="CSV")
@click.option("--config", type=path_type, metavar="CONFIG", help="Compare with this mill; tells what to put into it.")
@set_option
@meter_option
@at_option
@efficiency_option
@click.option("--temperature", metavar='"40 °C"', help="Of the air in the empty mill. Default: the config's room.")
@plots_option("Draw the figures into this folder.")
@decimal_option
@told_options
@force_option
@click.pass_context
def idle(ctx, csv, config, settings, meter, at, efficiency, temperature, plots, decimal, force) -> None:
    """Read an idle run: watts of the empty mill, with its rotor, at several speeds.

    CSV has columns speed_rpm and power_W, and may have motor_alone_W: what the motor takes without the rotor, its own
    loss. Parts bearings from stirring the air (windage), and with --config sets both beside the model. See
    configs/demo_idle.csv.
    """
    T = quantity(temperature, "--temperature", "K", 150.0, 450.0, "degC", '"40 °C"')
    _check_options(config, settings, at, efficiency, temperature)
    check_plots(plots, tuple, force)
    from ..learn.measured.idlemodel import compare, motor_alone
    from ..learn.measured.idlerun import read_idle

    loaded = None
    if config is not None:
        from ..mill.config.mill import load_config

        loaded = load_config(config, list(settings))
    alone = None if loaded is None else motor_alone(loaded)
    fit = read_idle(csv, at, None if meter is None else meter / 100.0, decimal or "", alone)
    if efficiency is not None and fit.motor_W is not None:
        hint = "leave it out: what is left above the motor's own loss is at the shaft"
        known = "a column motor_alone" if fit.motor_from == "measured" else "drive.no_load_power"
        raise InputError(Problem("--efficiency", "", f"has no meaning with {known}", hint=hint))
    model = None if loaded is None else compare(fit, loaded, efficiency, T)
    from ..show.words import bench_json, cautions
    from ..show.words import idle as idle_words
    from ..show.words.short import whole

    written = _written(fit, model, plots, force)
    answer(
        ctx,
        lambda: bench_json.idle_json(fit, model),
        lambda: idle_words.idle_text(fit, model),
        written=written,
        short=lambda: whole(idle_words.idle_text(fit, model)),
        caution=cautions.at("idle", *([] if loaded is None else [cautions.case_of(loaded)])),
    )


def _written(fit, model, plots, force: bool):
    """Draw; a line that says so."""
    if plots is not None:
        from ..show.plots import bench

        yield f"Drawn: {bench.save_idle(fit, model, plots, force)}"


def _check_options(config, settings, at: str, efficiency: float | None, temperature: str | None) -> None:
    """Options that would be without effect are refused, not ignored."""
    given = {"--set": bool(settings), "--efficiency": efficiency is not None, "--temperature": temperature is not None}
    with Inputs() as inputs:
        for name, is_given in given.items():
            if is_given and config is None:
                inputs.refuse(name, "", "has no meaning without --config", hint="name the mill with --config")
        if efficiency is not None and at == "shaft":
            inputs.refuse("--efficiency", "", "has no meaning with --at shaft", hint="leave it out")
