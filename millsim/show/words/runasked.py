"""What `millsim new --run` says: the questions on a measured run, and what became of the answers."""

from collections.abc import Sequence
from pathlib import Path

from ...base.quantities.units import readable
from ...base.quantities.written import join_words, sentence, wrap
from ...base.reading.key import REQUIRED
from ...learn.measured.runbalance import RunBalance
from ...learn.measured.runinterview import INSTEAD, RunInterview, row_of
from ...learn.measured.runquestions import QUESTIONS, SIEVING
from ...learn.measured.runsheet import MeasuredRun
from ...mill.config.answers import Answer
from . import asking
from .asking import heading, refused
from .run import verdict_line
from .short import Short, labelled, said

__all__ = ["ask_intro", "end_json", "end_short", "find_out", "heading", "question", "refused", "stopped", "taken"]
INTRO = (
    "Enter a run of {}. Numbers in any unit (12 min, 0.3 kg, 2.4 in); a bare number is in the unit asked. What you did "
    "not measure you leave out, with an empty line or `?`: nothing is guessed. `back` goes one question back. Ctrl-D "
    "stops and leaves nothing behind."
)
_LOTS = {  # questions that a reader of the end would not know by their key
    "feeding.limit": "what held the feed back",
    "masses.holdup": "charge left inside", "masses.bag": "bag", "masses.sweepings": "sweepings",
    "power.loaded": "power when fed",
    "power.idle": "power when empty", "power.volts": "volts", "power.power_factor": "power factor",
    "power.idle_power_factor": "power factor when empty", "speed.idle": "speed when empty",
    "speed.loaded": "speed when fed", "temperature.room": "room temperature",
    "temperature.outlet": "outlet temperature", "air.flow": "air flow", SIEVING: "sieving",
}  # fmt: skip


def ask_intro(mill: Path) -> list[str]:
    """How to answer, said once."""
    return wrap(INTRO.format(mill))


def question(asked: RunInterview, key: str, number: int, count: int) -> list[str]:
    """A question: its number and words, then what may be answered and what an empty line does."""
    row = row_of(key)
    if before := asked.before(key):
        empty = f"so far {asking.answer_words(before)}"
    elif key == SIEVING and asked.sieving.rows:
        empty = f"{len(asked.sieving.rows)} lines so far; empty: that is all"
    elif usual := asked.usual(key):
        empty = f"usual: {usual}"
    elif row.default is REQUIRED:
        empty = "needed"
    elif row.default in (None, ()):
        empty = "empty: leave it out" if key == "run.note" else "empty: not measured"
    else:
        empty = f"usual: {_default(row)}"
    hints = [h for h in (row.allowed, empty) if h]
    return [*wrap(f"{number}/{count}  {QUESTIONS[key].ask}"), f"  [{'; '.join(hints)}]"]


def _default(row) -> str:
    return (
        readable(row.default, row.shown)
        if row.kind == "quantity" and row.si != "-"
        else f"{row.default:g}"
        if row.kind == "number"
        else row.default
    )


def find_out(_key: str) -> list[str]:
    """What is not known of a run is left out: there is nothing to say first."""
    return []


def words_of(key: str) -> list[str]:
    """The words that may be answered, for completion."""
    return list(row_of(key).choices)


def taken(found: Sequence[Answer], typed: str) -> str:
    """How an answer was understood, where that is not plain from what was typed."""
    if found and found[0].how == INSTEAD:
        return f"  taken as {_default(row_of(found[0].key))}"
    if found and typed.strip().replace(".", "").isdecimal():
        return f"  {found[0].raw}" if row_of(found[0].key).si != "-" else ""
    return asking.taken(found, typed)


def stopped(asked: RunInterview) -> list[str]:
    """That it was stopped, and the answers as lines that --answers reads again; nothing where there are none."""
    answers = [a for k, a in asked.answers.items() if not (asked.sieving.rows and k.startswith("sieving."))]
    lines = asking.answer_lines(answers)
    lines += [f"{SIEVING} = {asked.sieving.typed()}"] if asked.sieving.rows else []
    return [asking.STOPPED, *lines] if lines else []


def end_short(asked: RunInterview, run: MeasuredRun, b: RunBalance) -> Short:
    """What was written, the balance in a line, what is doubtful, and what comes next."""
    files = join_words([str(f) for f in _files(asked)])
    parts = [said(f"Written: {files}."), said(verdict_line(run, b))]
    parts += [labelled("Note", sentence(w), 3) for w in (*run.warnings, *b.doubts)]
    if open_ := [_LOTS.get(k, k) for k in asked.not_measured()]:
        parts.append(said(f"Left out, as not measured: {join_words(open_)}.", 2))
    parts.append(said(f"Next: `millsim run {asked.file}`, then `millsim calibrate {asked.file}`.", 1))
    return Short(tuple(parts), told_whole=True)


def end_text(asked: RunInterview, run: MeasuredRun, b: RunBalance) -> str:
    """The same, however long."""
    return "\n".join(line for part in end_short(asked, run, b).parts for line in part.lines)


def end_json(asked: RunInterview, run: MeasuredRun, b: RunBalance) -> dict:
    """The same as plain JSON types."""
    return {
        "status": "ok" if b.verdict != "do not calibrate" else "check failed",
        "files": [str(f) for f in _files(asked)],
        "run_sha256": run.sha256,
        "verdict": b.verdict,
        "closure": b.closure.value,
        "not_measured": asked.not_measured(),
        "warnings": [*run.warnings, *b.doubts],
    }


def _files(asked: RunInterview) -> list[Path]:
    return [asked.file, *([asked.sheet_file] if asked.is_sieved else [])]
