"""`millsim energy`: from the energy of one grinding to that of another, by the laws of Kick, Bond and Rittinger."""

import click

from ..errors import InputError, Problem
from .base import answer
from .inputs import json_option, quantity


@click.command()
@click.option("--law", type=click.Choice(["all", "rittinger", "bond", "kick"]), default="all", show_default=True)
@click.option("--from", "known", metavar='"50 mm:10 mm"', help="The size reduction that is known, coarse:fine.")
@click.option("--energy", metavar='"13 kJ/kg"', help="What that costs.")
@click.option("--work-index", metavar='"0.0127 kWh/kg"', help="Of Bond, from a table; in place of --from and --energy.")
@click.option("--to", "asked", required=True, metavar='"75 mm:25 mm"', help="The reduction asked for.")
@click.option("--spend", metavar='"10 kJ/kg"', help="Ask for the size this reaches; --to then holds the start only.")
@click.option("--rate", metavar='"100 kg/h"', help="Tell the power, too.")
@json_option
@click.pass_context
def energy(ctx, law, known, energy, work_index, asked, spend, rate) -> None:
    """From the energy of one grinding to that of another.

    You know what it cost to grind a material from one size to another (--from, --energy), and ask what it costs between
    two other sizes (--to). Three published rules of thumb answer: Kick's, that each halving costs the same (coarse
    crushing); Rittinger's, that what counts is new surface (fine grinding); Bond's, between the two. Where they differ
    much, none of them is a prediction.
    """
    answers, basis, question = _energy(law, known, energy, work_index, asked, spend)
    flow = quantity(rate, "--rate", "kg/s", 1e-9, 1e4, "kg/h", '"100 kg/h"')
    from ..show.words import energy as energy_words

    answer(
        ctx,
        lambda: energy_words.energy_json(answers, flow),
        lambda: energy_words.energy_text(answers, basis, question, flow),
    )


def _energy(law, known, cost, work_index, asked, spend):
    """(answers, what was known, what was asked) of the energy command; InputError on contradictory options."""
    from ..show.words import energy as e

    sizes = _sizes(asked, "--to", 1 if spend else 2)
    spent = quantity(spend, "--spend", "J/kg", 1e-3, 1e10, "kJ/kg", '"10 kJ/kg"')
    index = quantity(work_index, "--work-index", "J/kg", 1.0, 1e9, "kWh/kg", '"0.0127 kWh/kg"')
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
    paid = quantity(cost, "--energy", "J/kg", 1e-3, 1e10, "kJ/kg", '"13 kJ/kg"')
    laws = list(e.EXPONENTS) if law == "all" else [law]
    basis = f"Known: from {known.replace(':', ' to ')} costs {cost}."
    if spent is not None:
        return e.reached(laws, (pair[0], pair[1]), paid, sizes[0], spent), basis, question
    return e.by_pair(laws, (pair[0], pair[1]), paid, *sizes), basis, question


def _sizes(text: str, option: str, count: int) -> tuple[float, ...]:
    """Sizes [m] of "50 mm:10 mm", coarse first."""
    parts = text.split(":")
    example = '"50 mm:10 mm"' if count == 2 else '"50 mm"'
    if len(parts) != count:
        what = "two sizes with a colon between" if count == 2 else "one size, where --spend is given"
        raise InputError(Problem(option, "", f'"{text}" is not {what}', hint=f"for example {option} {example}"))
    sizes = tuple(quantity(p.strip(), option, "m", 1e-9, 10.0, "mm", '"10 mm"') for p in parts)
    if count == 2 and sizes[0] <= sizes[1]:
        hint = "the coarse size comes first"
        raise InputError(Problem(option, "", f'"{text}" does not go from coarse to fine', hint=hint))
    return sizes
