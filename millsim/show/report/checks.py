"""The pre-build review and the drawing as parts of a report: both come from the config that the prediction holds."""

from functools import partial

from ...base.quantities.written import capital, join_words, sentence
from ...errors import InputError
from ...mill.config.mill import Config, parse_config
from ...record.prediction import Prediction
from ...studies.prebuild.line import FAILS, LOOK_AT, MADE, PASSES, ReviewLine
from ..parts import Paragraph, Table, table
from ..words.alts import drawing_alt
from ..words.verdicts import counted
from .blocks import VERDICT_MARKS, Block, Notice, Only, Picture

_TOLD = (FAILS, *LOOK_AT)  # in words, on paper
_FIRST = (*_TOLD, "not checked", PASSES, "note")  # on paper


def config_of(p: Prediction) -> Config | str:
    """The config a prediction was made from, or one sentence why this version of millsim cannot read it."""
    try:
        return parse_config(p.config_text, "the config in the result file")
    except InputError as error:
        found = error.problems[0]
        more = f" and {len(error.problems) - 1} more" if len(error.problems) > 1 else ""
        text = f"This version of millsim does not read the config of this result: {found.key} {found.message}{more}"
        return sentence(text)


def drawing_blocks(p: Prediction, config: Config | str) -> tuple[Block, ...]:
    """The drawing to scale, or why there is none."""
    if isinstance(config, str):
        return (Paragraph(f"Not drawn. {config}"),)
    from ..drawing.sheet import drawing

    caption = "Compare it with your parts: a wrong unit shows at once. On A4 at 100 % it has the scale it states."
    return (Picture("drawing", partial(drawing, config, p), drawing_alt(config, p), caption, sheet=True),)


def review_of(p: Prediction, config: Config | str) -> list[ReviewLine]:
    """Every line of the pre-build review; none without a config."""
    if isinstance(config, str):
        return []
    from ...studies.prebuild.review import review

    return review(config, p)


def failing_notice(lines: list[ReviewLine]) -> Notice | None:
    """What fails, for the first page."""
    bad = [x.name for x in lines if x.verdict == "fails"]
    if not bad:
        return None
    many = "checks fail" if len(bad) > 1 else "check fails"
    text = f"{len(bad)} {many}: {join_words(bad)}. Fix this in the design first; see “Before you cut steel”."
    return Notice("Before you build", text)


def review_blocks(lines: list[ReviewLine], config: Config | str) -> tuple[Block, ...]:
    """The review as a summary, one table, screws, and what no program checks."""
    if isinstance(config, str):
        return (Paragraph(f"Not checked. {config}"),)
    from ..words.prebuild import NOT_COVERED, SCREENING, STANDARDS, screw_table

    standards = f"{STANDARDS} (names from memory; which ones apply is not for a program to say)"
    return (
        Paragraph(_summary(lines)),
        Only("screen", _line_table(lines)),
        Only("paper", _short_table(lines)),
        *(Only("paper", Paragraph(sentence(x.words), x.name)) for v in _TOLD for x in lines if x.verdict == v),
        screw_table(config),
        Paragraph(sentence("; ".join(NOT_COVERED)), "No program of this kind checks"),
        Paragraph(f"{standards}.", "Standards that may apply"),
        Paragraph(SCREENING),
    )


def _summary(lines: list[ReviewLine]) -> str:
    count = {verdict: sum(x.verdict == verdict for x in lines) for verdict in MADE}
    told = [counted(v, n) for v, n in count.items() if n or v in (FAILS, PASSES)]
    text = f"Of {sum(count.values())} checks {join_words(told)}"
    missing = [x.name for x in lines if x.verdict == "not checked"]
    return f"{text}. Not checked: {join_words(missing)}." if missing else f"{text}."


def _line_table(lines: list[ReviewLine]) -> Table:
    """One row for each line of the review, by group."""
    from ..words.prebuild import figures_of

    rows, groups, last = [], [], ""
    for i, x in enumerate(lines):
        if x.group != last:
            groups.append((i, capital(x.group)))
            last = x.group
        formula = f"{x.formula.rstrip('.')}. " if x.formula else ""  # its letters stay as they are
        told = f"{sentence(x.words)}\n{formula}{sentence(f'{x.basis}: {x.source}')}"
        value, limit, margin = figures_of(x)
        figures = f"{value}\n{limit}, {margin}" if limit else value
        rows.append((x.name, f"{VERDICT_MARKS[x.verdict]} {x.verdict}", figures, told))
    header = ("check", "verdict", "value", "in words, with formula and what it rests on")
    return table("Pre-build checks", header, "tvdb", rows, "", groups)


def _short_table(lines: list[ReviewLine]) -> Table:
    """The same in a line each: check, verdict, value, limit, margin."""
    from ..words.prebuild import figures_of

    rows = []
    for x in sorted(lines, key=lambda x: _FIRST.index(x.verdict)):
        value, limit, margin = figures_of(x)
        verdict = f"{VERDICT_MARKS[x.verdict]} {x.verdict}"
        rows.append((x.name, verdict, value, limit, margin.removeprefix("margin ")))
    foot = "In words, with formulas and sources: `millsim check CONFIG --full`, and the HTML report."
    return table("Checks", ("check", "verdict", "value", "limit", "margin"), "lvrlr", rows, foot)
