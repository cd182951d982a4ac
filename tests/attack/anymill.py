"""Random mills through the command line: an answer in numbers, a mill that cannot, or what is wrong with the config."""

import json
import re
import time
from pathlib import Path

from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import seed as from_seed
from test_random_mills import random_mills

from attack.tally import Tally
from attack.workbench import CONFIGS, invoke

SECONDS = 20  # of processor time; none that a user types may need more
PLAIN = ("--set", "run.band_samples=2", "--set", "run.trace=false", "--set", "run.histories=256")
QUESTIONS = (
    ("predict", "--engine", "balance", "--json", *PLAIN), ("heat", "--json", *PLAIN), ("check", "--json"),
)  # fmt: skip


def attack(_: Path, work: Path, seed: int, tries: int, only: str = "") -> Tally:
    """Ask ordinary questions of `tries` mills each; only: QUESTION/NUMBER of one try."""
    tally, number = Tally("random mills", seed), -1

    @from_seed(seed)
    @settings(max_examples=tries, deadline=None, database=None, phases=(Phase.generate,),
              suppress_health_check=list(HealthCheck))  # fmt: skip
    @given(random_mills())
    def ask(mill):
        nonlocal number
        number += 1
        base, overrides = mill
        sets = [word for text in overrides for word in ("--set", text)]
        for question, *words in QUESTIONS:
            case = f"{question}/{number}"
            if only and case != only:
                continue
            if only:
                tally.notes.append(f"  millsim {question} {base}.toml {' '.join(words)} --set {overrides}")
            how, why = wrong(work, (question, f"{CONFIGS / base}.toml", *words, *sets))
            tally.fail(case, why) if why else tally.add(how)

    ask()
    return tally


def wrong(work: Path, words: tuple[str, ...]) -> tuple[str, str]:
    """(how a question was answered, what is wrong with that or nothing)."""
    start = time.process_time()
    done = invoke(work, *words)
    took = time.process_time() - start
    how = f"{words[0]} code {done.exit_code}"
    if done.exception is not None and not isinstance(done.exception, SystemExit):
        return how, f"raised {done.exception!r}"
    if done.exit_code not in (0, 2, 3, 4):
        return how, f"code {done.exit_code}: {(done.stderr.splitlines() or [''])[-1]}"
    if took > SECONDS:
        return how, f"took {took:.0f} s of processor time"
    if done.exit_code == 2:
        return how, "" if done.stderr.strip() else "refused without a word"
    try:
        json.loads(done.stdout, parse_constant=_no_number)
    except ValueError as error:
        return how, f"its JSON is none: {error}"
    return how, "says nan" if re.search(r"\bnan\b", done.stdout, re.IGNORECASE) else ""


def _no_number(word: str) -> None:
    raise ValueError(f"{word} is no number")
