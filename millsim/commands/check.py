"""`millsim check`: is the config complete and without contradictions, and does the mill pass a pre-build review."""

import threading
from dataclasses import replace

import click

from ..errors import NotConverged
from ..record.limits import OK
from .base import ANSWER_IS_NO, DONE, INCOMPLETE, answer, exit_code, tell, working
from .inputs import path_type, set_option, told_options

_PATIENCE_S = 2.1  # a little more than the progress line's own
_FIRST = "a quick one for the review; the very first compiles for half a minute"


@click.command("check")
@click.argument("config", type=path_type)
@click.option("--quick", is_flag=True, help="Without a prediction: what needs one is not checked.")
@set_option
@told_options
@click.pass_context
def check(ctx, config, quick, settings) -> None:
    """Check a config, and review the mill before it is built.

    Every mistake in CONFIG is listed at once. Then what fails comes first, with its cure, of strength, jams, motor,
    air, heat and dust; --full lists every check with its margin and what it rests on. Exit code 3 when a check fails
    or the mill does not run as asked, 4 when none fails but some could not be made, as with --quick. It is a
    screening, not a clearance.
    """
    from ..mill.config.mill import load_config

    loaded = load_config(config, list(settings))
    prediction = None if quick else _predict(ctx, loaded)
    from ..show.words import cautions, guesses, prebuild
    from ..studies import drawing
    from ..studies.guesses import costs
    from ..studies.prebuild.alike import not_told_apart
    from ..studies.prebuild.review import review

    lines = review(loaded, prediction)
    costly = [] if quick else costs(loaded)
    numbers = {key: scalar.value for key, scalar in drawing.derived(loaded).items()}
    answer(
        ctx,
        lambda: {
            **prebuild.review_json(loaded, lines, quick),
            "derived": numbers,
            "ignored": list(loaded.ignored),
            "not_told_apart": not_told_apart(loaded),
            "guessed": guesses.config_json(loaded, costly),
        },
        lambda: "\n".join(
            [
                drawing.describe(loaded),
                *prebuild.ignored(loaded),
                *guesses.of_config(loaded, costly),
                *prebuild.alike(loaded),
                prebuild.review_text(loaded, lines, quick),
            ]
        ),
        _code(lines, prediction),
        caution=cautions.at("check", cautions.case_of(loaded, [x.words for x in lines])),
        full=True,
        short=lambda: prebuild.review_short(loaded, lines, quick, guesses.check_words(loaded, costly)),
    )


def _code(lines, prediction) -> int:
    """3 where a check fails or the mill does not run as asked, 4 where none fails but some could not be made."""
    from ..studies.prebuild.review import named

    if named(lines, "fails"):
        return ANSWER_IS_NO
    answered = exit_code(prediction.status if prediction else OK)
    return answered or (INCOMPLETE if named(lines, "not checked") else DONE)


def _predict(ctx: click.Context, config):
    """A quick prediction (balance, no band, pieces of a feed by hand only); None, and told, if it does not settle."""
    by_hand = config.feed.handful_kg is not None
    quick = replace(config, run=replace(config.run, band_samples=0, trace=by_hand))
    with working(ctx) as report:
        note = threading.Timer(_PATIENCE_S, report.note, ("prediction", 0.0, _FIRST))
        note.daemon = True
        note.start()
        try:
            from ..forecast import run

            return run.predict(quick, engine="balance", seed=0, progress=report)
        except NotConverged as error:
            tell([f"What needs a prediction is not checked: {error}."])
            return None
        finally:
            note.cancel()
