"""`millsim materials`: the material cards. Heavy imports stay inside."""

from pathlib import Path

import click

from ..errors import InputError, Problem
from .inputs import card_names
from .plain import echo


@click.command()
@click.argument("name", required=False, shell_complete=card_names)
@click.option("--toml", is_flag=True, help="As a file to edit: millsim materials pmma --toml > my-pmma.toml")
def materials(name: str | None, toml: bool) -> None:
    """List the material cards, or print one.

    NAME is a card of the list or the path of a .toml file; every number is shown with what it rests on.
    """
    from ..mill import cards

    if name is None and toml:
        hint = "millsim materials pmma --toml"
        raise InputError(Problem("materials", "", "--toml is of one card, and none is named", hint=hint))
    if name is None:
        names = cards.list_materials()
        width = max(map(len, names), default=0)
        echo("\n".join(f"{n:<{width}}  {cards.load_material(n).title}" for n in names))
        return
    card = cards.load_material(name, Path())
    echo((cards.card_toml(card) if toml else cards.format_table(card)).rstrip("\n"))
