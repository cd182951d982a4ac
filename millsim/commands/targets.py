"""`millsim targets`: the ready targets. Heavy imports stay inside."""

import click

from .inputs import target_names
from .plain import echo


@click.command()
@click.argument("name", required=False, shell_complete=target_names)
def targets(name: str | None) -> None:
    """List the ready targets, or print one.

    NAME is a ready target or the path of a .toml file; it is printed as a file to edit:
    millsim targets rotational-moulding > my-target.toml
    """
    from ..explore.choose import targets as ready
    from ..show.words import choice as choice_words

    if name is None:
        echo(choice_words.targets_text({n: ready.ready(n) for n in ready.names()}), nl=False)
        return
    echo(ready.to_toml(ready.load(name)), nl=False)
