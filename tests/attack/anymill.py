"""Random mills through the command line: an answer in numbers, a mill that cannot, or what is wrong with the config.

Of every mill a prediction without draws is asked, which says whether its state is found; bands and other questions of
some of them.
"""

import json
import re
import shlex
import time
from dataclasses import dataclass
from pathlib import Path

from hypothesis import HealthCheck, Phase, assume, given, settings
from hypothesis import seed as from_seed
from test_random_mills import load, random_mills

from attack.tally import ALL, Tally
from attack.workbench import CONFIGS, invoke

BASES = ("demo", "pla", "swinging", "tight_jam", "batch")
SECONDS = 10  # of processor time; none that a user types may need more
SLIM = ("--set", "run.histories=256", "--set", "run.trace=false", "--set")
SURE, BANDED = (*SLIM, "run.band_samples=0"), (*SLIM, "run.band_samples=2")


@dataclass(frozen=True)
class Question:
    """A command line, and of how many mills one is asked.

    "MILL" is its config, whose settings come at the end; without it the line is about the prediction that was kept.
    """

    words: tuple[str, ...]
    one_in: int = 1

    @property
    def name(self) -> str:
        """The command, and what of its answer is asked for."""
        return " ".join(w for w in self.words if w in ("--full", "--air", "--json") or w == self.words[0])

    def about(self, base: str, overrides: tuple[str, ...]) -> tuple[str, ...]:
        """The words of the line for a mill."""
        if "MILL" not in self.words:
            return self.words
        words = [f"{CONFIGS / base}.toml" if w == "MILL" else w for w in self.words]
        return *words, *(word for text in overrides for word in ("--set", text))

    def of(self, number: int, only: str) -> bool:
        """Whether the mill of a number is asked it; with one try only also where that is about what this keeps."""
        if not only:
            return number % self.one_in == 0
        keeps = "mill.h5" in self.words and "MILL" in self.words
        return only == f"{self.name}/{number}" or keeps and only.endswith(f"/{number}")


PREDICT = ("predict", "MILL", "--engine", "balance")
QUESTIONS = (
    Question((*PREDICT, "--json", *SURE)),
    Question((*PREDICT, "--full", "--force", "--out", "mill.h5", *BANDED), 15),
    Question(("why", "mill.h5", "--full"), 15),
    Question(("report", "mill.h5", "--force", "--out", "mill.html"), 60),
    Question(("check", "MILL", "--json", *SURE), 5),
    Question(("heat", "MILL", "--json", *SURE), 10),
    Question(("heat", "MILL", "--full", *BANDED), 30),
    Question(("heat", "MILL", "--air", "60 m3/h", "--json", *SURE), 30),
    Question(("day", "MILL", "--draws", "0", "--json", *SURE), 30),
    Question(("circuit", "MILL", "--sieve", "0.5mm", "--json", *SURE), 30),
    Question(("change", "MILL", "--draws", "0", "--json", *SURE), 60),
    Question(("wear", "MILL", "--lost", "0.05g", "--milled", "2kg", "--json", *SURE), 30),
)  # fmt: skip


def attack(_: Path, work: Path, seed: int, tries: int, only: str = "", part: slice = ALL) -> Tally:
    """Ask ordinary questions of `tries` mills each; only: QUESTION/NUMBER of one try."""
    tally, number, slowest = Tally("random mills", seed), -1, (0.0, "")

    @from_seed(seed)
    @settings(max_examples=tries, deadline=None, database=None, phases=(Phase.generate,),
              suppress_health_check=list(HealthCheck))  # fmt: skip
    @given(random_mills(BASES))
    def ask(mill):
        nonlocal number, slowest
        base, overrides = mill
        assume(load(base, overrides) is not None)
        number += 1
        for question in QUESTIONS:
            if number in range(tries)[part] and question.of(number, only):
                case = f"{question.name}/{number}"
                words = question.about(base, overrides)
                how, why, took = answered(work, words)
                slowest = max(slowest, (took, case))
                line = f"\n    millsim {shlex.join(words)}"  # a number will not do: mills are drawn by the sources, too
                tally.fail(case, why + line) if why else tally.add(f"{question.name}: {how}")

    ask()
    tally.notes.append(f"  slowest: {slowest[0]:.1f} s of processor time, {slowest[1]}")
    return tally


def answered(work: Path, words: tuple[str, ...]) -> tuple[str, str, float]:
    """(how a question was answered, what is wrong with that or nothing, the processor time it took) [s]."""
    start = time.process_time()
    done = invoke(work, *words)
    took = time.process_time() - start
    how, why = judged(done, "--json" in words)
    return how, why or (f"took {took:.0f} s of processor time" if took > SECONDS else ""), took


def judged(done, as_json: bool, talks: bool = False) -> tuple[str, str]:
    """(how a command ended, what is wrong with that or nothing); talks: what it says may be told on stderr alone."""
    how = f"code {done.exit_code}"
    if done.exception is not None and not isinstance(done.exception, SystemExit):
        return how, f"raised {done.exception!r}"
    if "did not settle" in done.stdout + done.stderr:
        return how, f"did not settle: {(done.stderr or done.stdout)[-300:]}"
    if done.exit_code not in (0, 2, 3, 4):
        return how, f"code {done.exit_code}: {(done.stderr.splitlines() or [''])[-1]}"
    if not (done.stderr if done.exit_code == 2 else done.stdout + done.stderr * talks).strip():
        return how, "ended without a word"
    if re.search(r"\bnan\b", done.stdout, re.IGNORECASE):
        return how, "says nan"
    return (how, "") if not as_json else _read(how, done.stdout)


def _read(how: str, told: str) -> tuple[str, str]:
    """(how a question was answered by the status in a JSON answer, what is wrong with it)."""
    try:
        status = json.loads(told, parse_constant=_no_number).get("status")
    except ValueError as error:
        return how, f"its JSON is none: {error}"
    return f"{how} ({status})" if status else how, ""


def _no_number(word: str) -> None:
    raise ValueError(f"{word} is no number")
