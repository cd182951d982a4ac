"""`millsim why`: a kept prediction in sentences that say why."""

from pathlib import Path

import click

from .base import answer, exit_code
from .inputs import path_type, told_options


@click.command("why")
@click.argument("file", metavar="FILE.h5", type=path_type)
@told_options
@click.pass_context
def why_command(ctx: click.Context, file: Path) -> None:
    """Say why a mill does what it does.

    From a kept prediction: hits per particle and the share hard enough to break, energy per hit, what makes the powder,
    where each watt goes, what holds it back.
    """
    from ..base.quantities import written
    from ..record import read
    from ..show.words import cautions, why
    from ..show.words.short import whole

    p = read.read(file)
    said = why.sentences(p)
    told = said or ["Nothing can be told from this result."]
    told = [*told, why.BOUND]
    answer(
        ctx,
        lambda: {"status": p.status, "mill": p.mill_name, "config_sha256": p.config_sha256, "why": said},
        lambda: "\n".join(line for text in told for line in written.wrap(text)),
        exit_code(p.status),
        caution=cautions.at("why", cautions.case_of_prediction(p, said)) if p.changes or p.grinds_with else None,
        short=lambda: why.why_short(p) if said else whole("\n".join(told)),
    )
