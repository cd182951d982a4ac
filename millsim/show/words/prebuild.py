"""The pre-build review in words, and as JSON: what was checked, what was not, and what no program checks."""

import math
import re
import textwrap

from ...base.quantities.written import capital, digits, join_words, sentence, wrap
from ...mill.config.mill import Config
from ...studies import drawing
from ...studies.prebuild.alike import not_told_apart
from ...studies.prebuild.bars import couple
from ...studies.prebuild.facts import DYNAMIC, MillFacts
from ...studies.prebuild.hammer import bite_on_screws, pull, screws
from ...studies.prebuild.line import FAILS, LOOK_AT, MADE, PASSES, PREDICTION, VERDICTS, ReviewLine
from ...studies.prebuild.review import GROUPS
from .. import parts
from ..parts import Table
from .json import jsonable, picked
from .short import Short, said, table_part
from .verdicts import counted

_INDENT = 15
_SHOWN = {  # SI unit: (shown unit, factor, offset); the first that makes the value at least 0.1, else the last
    "Pa": (("MPa", 1e-6, 0.0),),
    "m": (("mm", 1e3, 0.0), ("µm", 1e6, 0.0)),
    "m2": (("cm²", 1e4, 0.0),),
    "m3": (("m³", 1.0, 0.0),),
    "m3/s": (("m³/h", 3600.0, 0.0),),
    "kg/m3": (("g/m³", 1e3, 0.0),),
    "kg/s": (("kg/h", 3600.0, 0.0), ("g/h", 3.6e6, 0.0)),
    "rad/s": (("rpm", 30.0 / math.pi, 0.0),),
    "rad": (("°", 180.0 / math.pi, 0.0),),
    "K": (("°C", 1.0, -273.15),),
    "1": (("", 1.0, 0.0),),
}
# Fields of a ReviewLine, as JSON has them.
IN_JSON = "group name value unit limit margin verdict words formula basis source needs"
_SHARES = ("hits hard enough to break", "speed lost at rated power")  # numbers people read in percent
NOT_COVERED = (
    "welds, keys, clamping and how the rotor sits on its shaft; life of the bearings; belt, coupling and wiring",
    "fatigue, cracks, corrosion and faults of the steel; parts hit by a screw or a stone",
    "how the guard is fastened, its openings and its interlock; whether anyone can reach in",
    "explosion protection, vents and suppression; fumes of hot plastic; fire in filter and heap",
)
STANDARDS = (
    "EN ISO 12100 and EN 12012-1 (machines that reduce plastics), ISO 14119, ISO 14120 and EN ISO 13857 (guards, "
    "interlocks, reach), ISO 13849-1 and EN 60204-1 (controls, wiring), ISO 21940-11 (balance), EN 1127-1, "
    "ISO 80079-36/-37, ISO/IEC 80079-20-2 and NFPA 660 (dust that may explode), Machinery Directive 2006/42/EC and "
    "Regulation (EU) 2023/1230, ATEX 1999/92/EC"
)
SCREENING = (
    "This is a screening by handbook formulas and a model, not a design code and no clearance to run: a line that "
    "passes says only that this formula, with these numbers, leaves a margin."
)


def review_text(config: Config, lines: list[ReviewLine], quick: bool = False) -> str:
    """The review for people: what fails first, then every line by group, then what was not checked.

    quick: no prediction was made, because none was asked for.
    """
    out = ["Before you cut steel", *_summary(lines), *(_hang(left_out(lines)) if quick else []), ""]
    for group in GROUPS:
        found = [x for x in lines if x.group == group]
        out += [capital(group), *(text for x in found for text in _told(x))] if found else []
        out += _screw_lines(config) if group == "rotor" else []
        out += [""] if found else []
    out += ["Never checked here", *(text for x in NOT_COVERED for text in _hang(f"- {x}"))]
    which = "Standards that may apply (names from memory; which of them do, no program can say)"
    out += ["", *wrap(f"{which}: {STANDARDS}.")]
    out += ["", *wrap(SCREENING)]
    return "\n".join(out) + "\n"


def review_short(config: Config, lines: list[ReviewLine], quick: bool = False, guessed: str = "") -> Short:
    """What fails and its cure, what is near a limit, what could not be checked, then how many pass.

    guessed: what of the mill is a guess, and which costs most.
    """
    told = [said(drawing.complete_words(config)), *(said(f"{text}.", 5) for text in config.ignored)]
    told.append(said(alike_words(config), 2))
    bad = [x for verdict in (FAILS, *LOOK_AT) for x in lines if x.verdict == verdict]
    for n, x in enumerate(bad):
        figures = ", ".join(text for text in figures_of(x) if text)
        told.append(
            said(f"{x.verdict.upper()} {x.name}{f': {figures}' if figures else ''}.", 1 if x.verdict == FAILS else 2)
        )
        told.append(table_part(wrap(x.words, "  "), 3 if x.verdict == FAILS else 6 + n))
    told += [*(said(text, 1) for text in _not_checked(lines)), said(guessed, 2)]
    told += [said(_counts(lines), 1), said(left_out(lines) if quick else "", 4)]
    notes = [x for x in lines if x.verdict == "note"]
    told += [said(_notes(notes) if notes else "", 4), said("A screening, not a clearance to run.", 1)]
    return Short(tuple(told), "every check with its formula and source, screws, standards, what is never checked")


def left_out(lines: list[ReviewLine]) -> str:
    """What a quick check leaves out, and how to get it."""
    count = sum(PREDICTION in x.needs for x in lines)
    return f"{count} of these need a prediction: leave out --quick for the whole review."


def ignored(config: Config) -> list[str]:
    """Lines on what the config and its cards say to no effect, with an empty one behind."""
    lines = [line for text in config.ignored for line in wrap(f"{text}.")]
    return [*lines, ""] if lines else []


def alike(config: Config) -> list[str]:
    """The line on what the config gives and no law tells apart, with an empty one behind."""
    told = alike_words(config)
    return [*wrap(told), ""] if told else []


def alike_words(config: Config) -> str:
    """What the config gives and no law tells apart, as a sentence; "" where there is nothing."""
    told = not_told_apart(config)
    return f"Given, but no law here tells apart: {'; '.join(told)}." if told else ""


def review_json(config: Config, lines: list[ReviewLine], quick: bool = False) -> dict:
    """The review as plain JSON types in SI units; what is not known, or has no end, is null."""
    counts = {verdict: sum(x.verdict == verdict for x in lines) for verdict in VERDICTS}
    facts = MillFacts(config, None)
    said = {
        "status": "check failed" if counts["fails"] else "incomplete" if counts["not checked"] else "no check failed",
        "mill": config.name,
        "config_sha256": config.sha256,
        "counts": counts,
        "checks": [picked(x, IN_JSON) for x in lines],
        "screws": {"load_N": DYNAMIC * pull(facts), "bite_left_out_Nm": couple(facts), "sizes": screws(facts)},
        "not_covered": NOT_COVERED,
        "standards_from_memory": STANDARDS,
        "nature": SCREENING,
        "quick": left_out(lines) if quick else None,
    }
    return jsonable(said)


def _summary(lines: list[ReviewLine]) -> list[str]:
    """How many lines of each kind, and the names of those to look at."""
    by = _by_verdict(lines)
    out = _hang(_counts(lines))
    for verdict in (FAILS, *LOOK_AT):
        if by[verdict]:
            out += _hang(f"{verdict.upper()}: {'; '.join(x.name for x in by[verdict])}.")
    out += _hang(_notes(by["note"])) if by["note"] else []
    return [*out, *(line for text in _not_checked(lines) for line in _hang(text))]


def _by_verdict(lines: list[ReviewLine]) -> dict[str, list[ReviewLine]]:
    return {verdict: [x for x in lines if x.verdict == verdict] for verdict in VERDICTS}


def _counts(lines: list[ReviewLine]) -> str:
    """How many checks there were, and how many of them fail, are near a limit, pass or could not be made."""
    by = _by_verdict(lines)
    done = sum(len(by[v]) for v in MADE)
    parts = [counted(v, len(by[v])) for v in MADE if by[v] or v in (FAILS, PASSES)]
    more = f"; {len(by['not checked'])} not made" if by["not checked"] else ""
    whole = "The whole review" if not by["not checked"] else "Not the whole review"
    return f"{whole}: of {done} checks {', '.join(parts)}{more}."


def _not_checked(lines: list[ReviewLine]) -> list[str]:
    """Which checks could not be made, and what to give for them."""
    found = _by_verdict(lines)["not checked"]
    keys = dict.fromkeys(k for x in found for k in x.needs if k != PREDICTION)
    told = [f"NOT CHECKED: {'; '.join(x.name for x in found)}."] if found else []
    return told + ([f"To check more, give {join_words(list(keys))}."] if keys else [])


def _notes(notes: list[ReviewLine]) -> str:
    """How many lines are told without a verdict, and which of them miss the figure they stand beside."""
    off = [f"{x.name} (margin {digits(x.margin, 2)})" for x in notes if x.margin is not None and x.margin < 1.0]
    text = f"{len(notes)} {'note' if len(notes) == 1 else 'notes'}, neither passed nor failed"
    return f"{text}; outside the trade rule or figure beside them: {'; '.join(off)}." if off else f"{text}."


def _hang(text: str) -> list[str]:
    """A paragraph two columns in, its further lines four."""
    return ["    "[: 2 if i == 0 else 4] + part for i, part in enumerate(_narrow(text, 96))]


def _told(x: ReviewLine) -> list[str]:
    """One line of the review: verdict, name and figures; words; formula and what it rests on."""
    verdict = x.verdict.upper() if x.verdict in (FAILS, *LOOK_AT) else x.verdict
    figures = ", ".join(text for text in figures_of(x) if text)
    head = f"  {verdict:<{_INDENT - 2}}{x.name}{f': {figures}' if figures else ''}"
    rests = f"[{x.formula}. {sentence(x.basis)[:-1]}: {x.source}]"
    words = [" " * _INDENT + part for text in (x.words, rests) for part in _narrow(text, 100 - _INDENT)]
    return [head, *words]


def _narrow(text: str, width: int) -> list[str]:
    """Lines of a text of that width; a number stays with the word after it."""
    glued = re.sub(r"(?<=\d) (?=[%°A-Za-zµ])", "\u00a0", text)
    lines = textwrap.wrap(glued, width, break_on_hyphens=False, break_long_words=False)
    return [line.replace("\u00a0", " ") for line in lines]


def figures_of(x: ReviewLine) -> tuple[str, str, str]:
    """Value, limit and margin in words, each "" where not known: ("60 m/s", "at most 80 m/s", "margin 1.3")."""
    if x.value is None:
        return "", "", ""
    if x.limit is None or x.margin is None:
        return _number(x, x.value), "", ""
    least = x.margin > 1.0 and x.value > x.limit or x.margin < 1.0 and x.value < x.limit
    margin = digits(x.margin, 2) if x.margin < 100.0 else "over 100"
    return _number(x, x.value), f"at {'least' if least else 'most'} {_number(x, x.limit)}", f"margin {margin}"


def _number(x: ReviewLine, value: float) -> str:
    """A value or limit of a line in a unit of the workshop."""
    if x.name in _SHARES:
        return f"{digits(100.0 * value, 2)} %"
    if x.unit == "s" and value >= 90.0:
        return f"{digits(value / 60.0, 2)} min"
    choices = _SHOWN.get(x.unit, ((x.unit, 1.0, 0.0),))
    largest = max(abs(v) for v in (x.value, x.limit) if v is not None)
    unit, factor, offset = next((c for c in choices if largest * c[1] >= 0.1), choices[-1])
    text = digits(value * factor + offset)
    return f"{text}{'' if unit == '°' else ' '}{unit}".strip()


def screw_table(config: Config) -> Table:
    """What screws take that hold a hammer or a bar."""
    f = MillFacts(config, None)
    part = "a hammer" if f.swinging else "half a bar"
    head = f"Screws of class 8.8 across the pull of {part}, {digits(pull(f), 3)} N, times {DYNAMIC:g} for blows"
    head += ", without the turn of a bite" if bite_on_screws(f) else ""
    rows = []
    for s in screws(f):
        row = [s.size, f"{digits(s.core_m * 1e3)} mm"]
        for force, margin in ((s.single_N, s.single_margin), (s.double_N, s.double_margin)):
            row += [f"{digits(force / 1e3, 2)} kN", digits(margin, 2)]
        rows.append(row)
    header = ("screw", "core", "cut once", "margin", "cut twice", "margin")
    foot = (
        "Thread core in the cut, 0.4 of 640 MPa yield (from memory). Below a margin of 1.5 take the next size; better "
        "let plain shanks carry the cut, not threads."
    )
    return parts.table(head, header, "lrrrrr", rows, foot)


def _screw_lines(config: Config) -> list[str]:
    t = screw_table(config)
    return [*_hang(f"{t.caption}:"), *parts.terminal_lines(t).all]
