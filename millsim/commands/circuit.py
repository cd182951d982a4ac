"""The command circuit: a mill closed with a sieve, and two mills in a row. Heavy imports stay inside."""

import sys

import click

from ..errors import InputError, Problem
from .base import INTERRUPTS, json_done, json_option, path_type, set_option
from .heat import quantity
from .progress import Progress

NOT_AS_ASKED = 3
_LOW, _HIGH, _WORST = 20e-6, 30e-3, 0.05  # as circuit.FINEST_M, COARSEST_M and WORST_EFFICIENCY


@click.command()
@click.argument("config", type=path_type)
@click.argument("second", type=path_type, required=False)
@click.option("--sieve", metavar='"0.5 mm"', help="Aperture of the sieve after the (second) mill; oversize goes back.")
@click.option("--efficiency", metavar="0.9", help="Share of what is finer that does pass. Default: 1, a sharp sieve.")
@set_option
@click.option("--set-second", "settings_2", multiple=True, metavar="KEY=VALUE", help="Override in the SECOND config.")
@json_option
@click.pass_context
def circuit(ctx, config, second, sieve, efficiency, settings, settings_2, as_json) -> None:
    """A mill with its oversize returned, or two mills.

    With --sieve: what the mill of CONFIG makes when the oversize of a sieve goes back to it, beside setting it aside.
    With a SECOND config: what the second mill makes of the first one's powder, and which of them binds the line.
    Exit code 3 when it cannot run, or cannot take the rate asked for.
    """
    aperture, share, first, other = _inputs(config, second, sieve, efficiency, settings, settings_2)
    check = ctx.meta[INTERRUPTS].check
    with Progress(quiet=as_json and not sys.stderr.isatty()) as progress:
        progress("starting", 0.0, "")

        def report(stage: str, done: float) -> None:
            check()
            progress(stage, done, "")

        if other is None:
            text, found, runs = _one(first, aperture, share, as_json, report)
        else:
            text, found, runs = _two(first, other, aperture, share, as_json, report)
        check()
    if as_json:
        json_done(ctx, found)
    else:
        click.echo(text, nl=False)
    if not runs:
        ctx.exit(NOT_AS_ASKED)


def _inputs(config, second, sieve, efficiency, settings, settings_2):
    """(aperture or None, efficiency or None, first config, second config or None); InputError with every problem."""
    from ..mill.config.mill import load_config

    problems: list[Problem] = []

    def attempt(read, *words):
        try:
            return read(*words)
        except InputError as error:
            problems.extend(error.problems)
            return None

    aperture = attempt(quantity, sieve, "--sieve", "m", _LOW, _HIGH, "mm", '"0.5 mm"')
    share = attempt(share_of, efficiency, "--efficiency", _WORST)
    first = attempt(load_config, config, list(settings))
    other = attempt(_second, second, settings_2, first) if second is not None else None
    if sieve is None and second is None:
        hint = 'give --sieve "0.5 mm", or a second config'
        problems.append(Problem("--sieve", "", "is missing: there is nothing to close the circuit with", hint=hint))
    if efficiency is not None and sieve is None:
        problems.append(Problem("--efficiency", "", "is of a sieve, and there is none", hint="give --sieve"))
    if settings_2 and second is None:
        problems.append(Problem("--set-second", "", "is of a second config, and there is none"))
    if first is not None and first.feed.batch_mass_kg is not None:
        message, hint = "is a batch, and a circuit runs steadily", '--set feed.rate="as much as it takes"'
        problems.append(Problem(str(config), "feed.batch_mass", message, hint=hint))
    if problems:
        raise InputError(problems)
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


def _one(config, aperture: float, share: float | None, as_json: bool, report):
    """(text, JSON object, whether it runs as asked) of a mill and its sieve."""
    from ..show.words import circuit as words
    from ..studies.circuit import loop as engine
    from ..studies.circuit.band import closed_band

    eta, count = 1.0 if share is None else share, config.run.band_samples
    seed = config.run.seed if config.run.seed is not None else 0
    report("circuit", 0.0)
    aside, closed = engine.once(config, aperture, eta), engine.closed(config, aperture, eta)
    bands = [None, None]
    for i, is_closed in enumerate((False, True) if count else ()):
        bands[i] = closed_band(
            config, aperture, count, seed, eta, is_closed=is_closed,
            progress=lambda done, i=i: report("band", (0.2 * done, 0.2 + 0.8 * done)[i]),
        )  # fmt: skip
    answer = words.CircuitAnswer(config, aside, closed, *bands, seed, share is not None)
    text = "" if as_json else words.circuit_text(answer)
    return text, words.circuit_json(answer) if as_json else {}, closed.code == engine.OK


def _two(first, second, aperture: float | None, share: float | None, as_json: bool, report):
    """(text, JSON object, whether it runs as asked) of two mills in a row."""
    from ..base.quantities.units import exact_text
    from ..mill.config.mill import parse_config
    from ..show.words import circuit as words
    from ..studies.circuit.line import line
    from ..studies.circuit.loop import NO_SIEVE, OK, SieveCut

    report("line", 0.0)
    cut = NO_SIEVE if aperture is None else SieveCut(aperture, 1.0 if share is None else share)
    found = line(first, second, cut)
    report("line", 1.0)
    if not as_json:
        return words.line_text(first, second, found, share is not None), {}, found.code == OK
    sizes = ", ".join(f'"{exact_text(x, "mm")}"' for x in found.sizes_m)
    table = ["feed.size.kind=table", f"feed.size.apertures=[{sizes}]", f"feed.size.q3={list(found.q3)}"]
    sha = parse_config(second.text, overrides=table).sha256 if found.sizes_m else second.sha256
    return "", words.line_json(first, sha, second, found), found.code == OK
