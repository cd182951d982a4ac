"""`millsim circuit`: a mill closed with a sieve, and two mills in a row. Heavy imports stay inside."""

from functools import partial

import click

from ..base.reading.key import AS_MUCH
from ..errors import InputError, Problem
from .base import answer, check_plots, exit_code, one_figure, working
from .inputs import Inputs, force_option, path_type, plots_option, quantity, set_option, told_options

_FIGURE = "circuit.png"
_LOW, _HIGH, _WORST = 20e-6, 30e-3, 0.05  # as circuit.FINEST_M, COARSEST_M and WORST_EFFICIENCY


@click.command()
@click.argument("config", type=path_type)
@click.argument("second", type=path_type, required=False)
@click.option("--sieve", metavar='"0.5 mm"', help="Aperture of the sieve after the (second) mill; oversize goes back.")
@click.option("--efficiency", metavar="0.9", help="Share of what is finer that does pass. Default: 1, a sharp sieve.")
@set_option
@click.option("--set-second", "settings_2", multiple=True, metavar="KEY=VALUE", help="Override in the SECOND config.")
@click.option("--passes", type=click.IntRange(2, 2), help="2: all powder through the one mill a second time.")
@click.option("--second", "keys_2", multiple=True, metavar="KEY=VALUE", help="Of the second pass: another setting.")
@plots_option("Draw the figure into this folder.")
@told_options
@force_option
@click.pass_context
def circuit(ctx, config, second, sieve, efficiency, settings, settings_2, passes, keys_2, plots, force) -> None:
    """A mill with its oversize returned, two passes, or two mills.

    With --sieve: what the mill of CONFIG makes when the oversize of a sieve goes back to it, beside setting it aside.
    With a SECOND config: what the second mill makes of the first one's powder, and which of them limits the line.
    With --passes 2: time, energy, warmth and fines of both passes of one mill, beside one pass to the same fineness.
    Exit code 3 when it cannot run, or cannot take the rate asked for.
    """
    aperture, share, first, other = _inputs(
        config, second, sieve, efficiency, settings, settings_2, passes, keys_2
    )  # fmt: skip
    check_plots(plots, lambda: [_FIGURE], force)
    with working(ctx) as report:
        if passes is not None:
            as_json, as_text, short, draw, code = _passes(first, other, keys_2, report)
        elif other is None:
            as_json, as_text, short, draw, code = _one(first, aperture, share, report)
        else:
            as_json, as_text, short, draw, code = _two(first, other, aperture, share, report)
    from ..show.words import cautions

    caution = cautions.at("circuit", *(cautions.case_of(c) for c in (first, other) if c is not None))
    written = one_figure(plots, _FIGURE, draw, force)
    answer(ctx, as_json, as_text, exit_code(code), written, caution=caution, short=short)


def _figure(kind: str, *about):
    """The figure of this kind, made when called."""

    def drawn():
        from ..show.plots import circuit as figures

        return getattr(figures, kind)(*about)

    return drawn


def _inputs(config, second, sieve, efficiency, settings, settings_2, passes, keys_2):
    """(aperture or None, efficiency or None, first config, second config or None); InputError with every problem."""
    from ..mill.config.mill import load_config

    with Inputs() as given:
        aperture = given.read(quantity, sieve, "--sieve", "m", _LOW, _HIGH, "mm", '"0.5 mm"')
        share = given.read(share_of, efficiency, "--efficiency", _WORST)
        first = given.read(load_config, config, list(settings))
        other = given.read(_second, second, settings_2, first) if second is not None else None
        if passes is not None and (second is not None or sieve is not None):
            given.refuse("--passes", "", "is of one mill without a sieve after it", "leave out --sieve and SECOND")
        elif passes is not None:
            other = given.read(load_config, config, [*settings, *keys_2])
        elif keys_2:
            given.refuse("--second", "", "is of a second pass, and there is none", "give --passes 2")
        if sieve is None and second is None and passes is None:
            hint = 'give --sieve "0.5 mm", or a second config'
            given.refuse("--sieve", "", "is missing: there is nothing to close the circuit with", hint)
        if efficiency is not None and sieve is None:
            given.refuse("--efficiency", "", "is of a sieve, and there is none", "give --sieve")
        if settings_2 and second is None:
            given.refuse("--set-second", "", "is of a second config, and there is none")
        if first is not None and first.feed.batch_mass_kg is not None:
            message, hint = "is a batch, and a circuit runs steadily", f'--set feed.rate="{AS_MUCH}"'
            given.refuse(str(config), "feed.batch_mass", message, hint)
    return aperture, share, first, other


def _second(path, settings, first):
    """The second config; its own feed size is not used, so the size of the first mill's holes stands in for it."""
    from ..base.quantities.units import exact_text
    from ..mill.config.mill import load_config

    own = [s for s in settings if not s.strip().startswith("feed.size.")]
    hole = exact_text(first.sieve.hole_m, "mm") if first is not None else "1 mm"
    return load_config(path, ["feed.size.kind=single", f"feed.size.size={hole}", *own])


def share_of(text: str | None, option: str, least: float) -> float | None:
    """A share such as "0.9" or "90 %"; InputError naming the option; None where it is not given."""
    from ..base.quantities.units import UNITS, UnitError, split_quantity, to_si

    if text is None:
        return None
    allowed = f"{least:g} to 1"
    try:
        number, unit = split_quantity(text, "-")
    except UnitError as error:
        raise InputError(Problem(option, "", f'"{text[:60]}" {error}', allowed, error.hint)) from None
    if unit is not None and unit.si != "-":
        raise InputError(Problem(option, "", f'"{text[:60]}" is not a share', allowed, "for example 0.9"))
    value = to_si(number, unit or UNITS["-"])
    if not least <= value <= 1.0:
        hint = f"did you mean {value / 100:g}?" if least <= value / 100 <= 1.0 else ""
        raise InputError(Problem(option, "", f'"{text[:60]}" is out of range', allowed, hint))
    return value


def _one(config, aperture: float, share: float | None, report):
    """(JSON object, text, short form, figure, status) of a mill and its sieve, all but the last made when called."""
    from ..record.limits import HARDLY_GRINDS
    from ..show.words import circuit as words
    from ..studies.circuit import loop as engine
    from ..studies.circuit.band import CircuitBand, closed_band

    eta, count = 1.0 if share is None else share, config.run.band_samples
    seed = config.run.seed if config.run.seed is not None else 0
    report("circuit", 0.0)
    aside, closed = engine.once(config, aperture, eta), engine.closed(config, aperture, eta)
    runs = count and aside.status != HARDLY_GRINDS

    def band(is_closed: bool, begun: float, share_of_all: float) -> CircuitBand | None:
        def done(share: float) -> None:
            report("band", begun + share_of_all * share)

        return closed_band(config, aperture, count, seed, eta, is_closed=is_closed, progress=done) if runs else None

    bands = band(False, 0.0, 0.2), band(True, 0.2, 0.8)
    found = words.CircuitAnswer(config, aside, closed, *bands, seed, share is not None)
    made = (partial(f, found) for f in (words.circuit_json, words.circuit_text, words.circuit_short))
    return (*made, _figure("closed", found), closed.code)


def _passes(first, second, keys: tuple[str, ...], report):
    """(JSON object, text, short form, figure, status) of two passes of one mill, all but the last made when called."""
    from ..show.words import passes as words
    from ..studies.circuit.passes import two_passes

    report("passes", 0.0)
    found = two_passes(first, second, first.run.band_samples, progress=lambda done: report("band", done))
    forms = (words.passes_json, words.passes_text, words.passes_short)
    return (*(partial(f, first, keys, found) for f in forms), _figure("passes", first, found), found.code)


def _two(first, second, aperture: float | None, share: float | None, report):
    """(JSON object, text, short form, figure, status) of two mills in a row, all but the last made when called."""
    from ..base.quantities.units import exact_text
    from ..mill.config.mill import parse_config
    from ..show.words import circuit as words
    from ..studies.circuit.line import line
    from ..studies.circuit.loop import NO_SIEVE
    from ..studies.circuit.turns import SieveCut

    report("line", 0.0)
    cut = NO_SIEVE if aperture is None else SieveCut(aperture, 1.0 if share is None else share)
    found = line(first, second, cut)
    report("line", 1.0)
    sizes = ", ".join(f'"{exact_text(x, "mm")}"' for x in found.sizes_m)
    table = ["feed.size.kind=table", f"feed.size.apertures=[{sizes}]", f"feed.size.q3={list(found.q3)}"]
    sha = parse_config(second.text, overrides=table).sha256 if found.sizes_m else second.sha256
    as_text = partial(words.line_text, first, second, found, share is not None)
    as_json, short = (
        partial(words.line_json, first, sha, second, found),
        partial(words.line_short, first, second, found),
    )
    return as_json, as_text, short, _figure("line", first, second, found), found.code
