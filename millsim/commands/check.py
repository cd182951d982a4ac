"""`millsim check`: is the config complete and without contradictions, and does the mill pass a pre-build review."""

import sys
import threading
from dataclasses import replace

import click

from ..errors import NotConverged
from .base import INTERRUPTS, json_done, json_option, path_type, set_option, tell
from .progress import Progress

CHECK_FAILED = 3
_PATIENCE_S = 2.1  # a little more than the progress line's own
_FIRST = "a quick one for the review; the very first compiles for half a minute"


@click.command("check")
@click.argument("config", type=path_type)
@click.option("--quick", is_flag=True, help="Without a prediction: what needs one is not checked.")
@set_option
@json_option
@click.pass_context
def check(ctx, config, quick, settings, as_json) -> None:
    """Check a config, and review the mill before it is built.

    Every mistake in CONFIG is listed at once. Then come strength, jams, motor, air, heat and dust, each with its
    margin and what it rests on. Exit code 3 when a check fails. It is a screening, not a clearance.
    """
    from ..mill.config.mill import load_config

    loaded = load_config(config, list(settings))
    prediction = None if quick else _predict(ctx, loaded, as_json)
    from ..show.words import prebuild
    from ..studies import drawing
    from ..studies.prebuild.review import fails, review

    lines = review(loaded, prediction)
    if as_json:
        numbers = {key: scalar.value for key, scalar in drawing.derived(loaded).items()}
        json_done(ctx, {**prebuild.review_json(loaded, lines), "derived": numbers})
    else:
        click.echo(drawing.describe(loaded) + "\n" + prebuild.review_text(loaded, lines), nl=False)
    if fails(lines):
        ctx.exit(CHECK_FAILED)


def _predict(ctx: click.Context, config, as_json: bool):
    """A quick prediction (balance engine, no band, no trace); None, and told, where it does not settle."""
    quick = replace(config, run=replace(config.run, band_samples=0, trace=False))
    seen = ctx.meta[INTERRUPTS]
    with Progress(quiet=as_json and not sys.stderr.isatty()) as progress:

        def report(stage: str, done: float, detail: str = "") -> None:
            seen.check()
            progress(stage, done, detail)

        note = threading.Timer(_PATIENCE_S, progress, ("prediction", 0.0, _FIRST))
        note.daemon = True
        note.start()
        try:
            from ..forecast import run

            prediction = run.predict(quick, engine="balance", seed=0, progress=report)
            seen.check()
            return prediction
        except NotConverged as error:
            tell([f"The prediction did not settle ({error}), so what needs one is not checked."])
            return None
        finally:
            note.cancel()
