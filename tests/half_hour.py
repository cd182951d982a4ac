"""A builder's first half hour, typed at a terminal from an empty folder; no file is edited by hand.

A community workshop grinds acrylic sign offcuts. Half of what is asked about the mill nobody knows yet. The run's
numbers are INVENTED, and plausible for that mill. `python tests/renew_readme.py half-hour` puts it into the README.
"""

import re
from typing import NamedTuple

import terminal

from millsim.base.quantities.written import wrap

MORE = ["", "", "1.5 kg", "", "both ends", "640 MPa", "", "", "", "", ""]  # of what sharpens the prediction
MILL = [
    "rigid", "d 120 mm", "4", "?", "?", "?", "pins", "?", "?", "2 to 4 mm", "motor", "1.1 kW", "shaft", "?", "plate",
    "0.6 mm", "?", "?", "?", "?", "pmma", "3 to 6 mm", "?", "?", "?", "500 Pa", "y", *MORE, "n",
]  # fmt: skip
RUN = [
    "first run", "2025-03-08", "1200 g", "20 min", "", "", "1150 g", "", "31 g", "", "", "1260 W", "130 W", "",
    "9600 rpm", "9350 rpm", "22", "57", "", "", "1 0", "0.71 0.1", "0.5 3.3", "0.355 14.2", "0.25 15.0", "0.18 7.3",
    "0.125 3.0", "0.063 3.5", "pan 3.3", "", "",
]  # fmt: skip
CARD = "--set calibration.card=card.toml"


class Step(NamedTuple):
    """A command, what is answered to its questions, and what the README shows of its answer.

    shown: how paragraphs begin, with the number of their sentences, or rows of a table, with 0; asked: how the
    questions begin that it shows, all of them if empty.
    """

    command: str
    answers: tuple[str, ...] = ()
    shown: tuple[tuple[str, int], ...] = ()
    code: int = 0
    asked: tuple[str, ...] = ("",)
    computed: bool = True  # with numbers that depend on size classes and draws


_ENTERED = ("How much did you feed", "How long", "What does the powder", "What did it draw", "How warm", "What stayed")
STEPS = (
    Step("millsim new mill.toml", tuple(MILL), (("Written:", 1),), computed=False),
    Step("millsim check mill.toml", (), (("FAILS dust", 1), ("Not the whole", 2)), 3),
    Step("millsim predict mill.toml", (), (("Mill makes", 1), ("Guessed:", 2))),
    Step("millsim draw mill.toml -o mill.pdf"),
    Step("millsim new run.toml --run mill.toml", tuple(RUN), (("Balance:", 2),), 0, _ENTERED, False),
    Step("millsim run run.toml", (), (("Energy from", 1),), computed=False),
    Step("millsim calibrate run.toml -o card.toml", (), (("Calibrated on", 2),)),
    Step(f"millsim predict mill.toml {CARD} --out now.h5", (), (("Mill makes", 1),)),
    Step(f"millsim change mill.toml --for rate {CARD}", (), (("Mill: for more", 1),)),
    Step(f"millsim predict mill.toml {CARD} --set stator.pins=24 --out pins.h5", (), (("Mill makes", 1),)),
    Step("millsim beside now.h5 pins.h5", (), (("B against A", 1),)),
    Step('millsim book add workshop pins.h5 --name "24 pins"', (), (("24-pins:", 1),)),
)
_ASKED = re.compile(  # a question with its lines below, or one to be answered yes or no
    r"^\d+/\d+  (?P<question>.*?)^  \[.*?^(?P<typed>  >(?:.(?!^\d+(?:/\d+  | more )))*)|"
    r"^(?P<more>\d+ more [^\n]*\?) \[y/N\] ?(?P<yes>[^\n]*)$",
    re.M | re.S,
)


def screens(folder, coarse=False):
    """The screens of all steps."""
    return terminal.run(folder, [(s.command, s.answers) for s in STEPS], coarse)


def block(found):
    """What the README shows: every command, the questions with their answers, and how each answer begins."""
    return "\n".join(line for _, lines in parts(found) for line in lines)


def parts(found):
    """(step, its lines of the block) of every step."""
    for step, screen in zip(STEPS, found, strict=True):
        yield step, [f"$ {step.command}", *_asked(step, screen.text), *_answered(step, screen.text)]


def _asked(step, text):
    """Questions with their answers, a line each."""
    lines = []
    for found in _ASKED.finditer(text):
        question, given = found["more"], found["yes"]
        if found["question"]:
            question = " ".join(found["question"].split())
            typed = re.findall(r"^(?:  >)? *(.*)$", found["typed"], re.M)
            given = "; ".join(a for a in typed if a and a in step.answers)
        if given and question.startswith(step.asked):
            lines.append(_line(question, given))
    return lines


def _line(question, given):
    """A question and its answer within a line; of a long one only how it begins."""
    end = f" > {given}"
    room = terminal.COLUMNS - len(end)
    return (question if len(question) <= room else question[: room - 2].rstrip() + " …") + end


def _answered(step, text):
    """Of the paragraphs that the step names the first sentences, and rows of tables."""
    lines, kept = text.split("\n"), []
    for start, sentences in step.shown:
        first = next((i for i, line in enumerate(lines) if line.startswith(start)), None)
        assert first is not None, f"{step.command}: no line begins with {start!r}\n{text}"
        end = next((i for i in range(first + 1, len(lines)) if not lines[i].startswith("  ")), len(lines))
        told = re.split(r"(?<=\.)\s+(?=[A-Z])", " ".join(map(str.strip, lines[first:end])))
        kept += wrap(" ".join(told[:sentences])) if sentences else [lines[first]]
    return kept


def masked(lines):
    """Words as they run on over lines, with a mark for each number."""
    return re.sub(r"\d[\d.]*", "#", " ".join(" ".join(lines).split()))
