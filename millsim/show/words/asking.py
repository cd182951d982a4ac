"""What `millsim new` says: the questions, how an answer was understood, the mill in a few numbers, and the end."""

from collections.abc import Sequence
from pathlib import Path

from ...base.quantities.written import capital, wrap
from ...base.reading.values import Bad
from ...mill.cards import list_materials
from ...mill.config.answers import GUESS, Answer, row_of, told
from ...mill.config.interview import Interview, raw_of
from ...mill.config.questions import MORE, QUESTIONS

INTRO = (
    "Describe your mill. Numbers in any unit (60 mm, 2.4 in, 1.5 hp); a bare number is in the unit asked. An empty "
    "line takes the usual value, as if you had decided it. `?` is don't know: it is written as a guess with a range "
    "and widens the band of the prediction. `2 to 5 mm`, `about 3 mm` and `blunt or bevelled` are guesses of your own. "
    "`back` goes one question back. Ctrl-D stops and leaves nothing behind."
)
FIND_OUT = (
    "What is it? A number in a triangle: 2 or 4 is PE, 5 is PP, 6 is PS, 7 is any other. In water with a drop of soap "
    "PE and PP float; PS, ABS, PLA, PA and acrylic sink. Weigh a piece, and the water it displaces: 1.05 g/cm3 is PS "
    "or ABS, 1.13 PA, 1.19 acrylic, 1.24 PLA. A strip bent cold: acrylic and PS snap clean, ABS turns white first, PA, "
    "PE and PP fold. Never burn it to tell: the fume is poisonous. Name what it may be (`ps or abs`), or `?` once more "
    "for any of the plastics."
)
MORE_ASKED = (
    "{} more questions sharpen the prediction",
    "{} more are for `millsim check` alone: shaft, strength, guard",
)
STOPPED = "Stopped; nothing was written. To go on later, keep these lines in a file and name it with --answers:"


def intro() -> list[str]:
    """How to answer, said once."""
    return wrap(INTRO)


def find_out(key: str) -> list[str]:
    """How to find out what decides much, told once before it is left open; nothing for the other questions."""
    return wrap(FIND_OUT, "  ") if key == "feed.material" else []


def heading(text: str) -> str:
    """The heading of a group of questions."""
    return f"\n{text}"


def question(asked: Interview, key: str, number: int, count: int) -> list[str]:
    """A question: its number and words, then what may be answered and what is usual."""
    row = row_of("feed.size.size" if key == "feed.size" else key)
    lines = wrap(f"{number}/{count}  {QUESTIONS[key].ask}")
    before, usual = asked.before(key), asked.usual(key)
    hints = [_allowed(row)]
    if QUESTIONS[key].unasked and not before and usual is not None:
        hints.append(f"empty: stays a guess about {_shown(row, raw_of(row_key(key), usual))}")
    elif before:
        hints.append(f"so far {answer_words(before)}")
    elif key == "feed.rate":
        hints.append("usual: as fast as it can grind")
    elif usual is not None and not _optional(key):
        hints.append(f"usual: {_shown(row, raw_of(row_key(key), usual))}")
    elif _optional(key):
        hints.append("empty: leave it out")
    return [*lines, f"  [{'; '.join(h for h in hints if h)}]"]


def row_key(key: str) -> str:
    """The key whose row describes a question."""
    return "feed.size.size" if key == "feed.size" else key


def _optional(key: str) -> bool:
    row = row_of(row_key(key))
    return not QUESTIONS[key].unasked and row.default is None and any(key in keys for _, keys in MORE)


def _allowed(row) -> str:
    if row.kind == "flag":
        return "yes | no"
    if row.kind == "rate":
        return "300 g/h, or 50 g every 30 s"
    if row.name == "material" and row.kind == "text":
        return f"{' | '.join(list_materials())}, or a path"
    return row.allowed


def _shown(row, raw) -> str:
    return {True: "yes", False: "no"}[raw] if row.kind == "flag" else str(raw)


def answer_words(found: Sequence[Answer]) -> str:
    """Answers to one question, as they are kept."""
    return ", ".join(told(a) for a in found if a.key != "feed.size.kind") or "left out"


def taken(found: Sequence[Answer], typed: str) -> str:
    """How an answer was understood, where that is not plain from what was typed; else nothing."""
    if not found:
        return "  left out"
    parts = [a.said for a in found if a.said]
    guessed = [a for a in found if a.guess]
    if guessed:
        parts.append(f"a guess: {' '.join(told(a) for a in guessed)}")
    elif not parts and (not typed.strip() or (len(found) == 1 and _finished(typed, str(found[0].raw)))):
        parts.append(answer_words(found))
    return f"  {'; '.join(parts)}" if parts else ""


def _finished(typed: str, raw: str) -> bool:
    """Whether a word was completed, so that it is worth showing."""
    return typed.strip().casefold() != raw.casefold() and raw.casefold().startswith(typed.strip().casefold())


def drawn(path: Path) -> list[str]:
    """That the mill was drawn, and what the drawing is for."""
    text = f"Drawn to scale in {path}, what is not asked yet as usual. Look at it: a slip shows there; `back` mends it."
    return wrap(text)


def head_lines(name: str, from_name: str) -> list[str]:
    """The comment above a config that was asked for."""
    lines = [f"{name}: written by `millsim new`" + (f", on the answers of {from_name}." if from_name else ".")]
    return [*lines, "Correct what you measure; `millsim keys` explains every key, `millsim check` reviews the mill."]


def refused(bad: Bad) -> list[str]:
    """Why an answer was not taken."""
    parts = [bad.message, f"allowed: {bad.allowed}" if bad.allowed else "", bad.hint]
    return wrap(capital("; ".join(p for p in parts if p)), "  ")


def words_of(key: str) -> list[str]:
    """The words that may be answered, for completion."""
    if key == "feed.material":
        return list_materials()
    row = row_of(row_key(key))
    return ["yes", "no"] if row.kind == "flag" else list(row.choices)


def stopped(answers: Sequence[Answer]) -> list[str]:
    """That it was stopped, and the answers as lines that --answers reads again."""
    return [STOPPED, *answer_lines(answers)]


def answer_lines(answers: Sequence[Answer]) -> list[str]:
    """Answers as lines that --answers reads again."""
    lines = []
    for a in answers:
        numbers = len(a.guess) == 2 and row_of(a.key).kind in ("quantity", "number", "whole")
        text = f"{a.guess[0]} to {a.guess[1]}" if numbers else " or ".join(map(str, a.guess))
        lines.append(f"{a.key} = {text if a.how == GUESS and a.guess else a.raw}")
    return lines
