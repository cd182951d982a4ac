"""The answers on a measured run on their way to a run sheet: what comes next, what contradicts, what is left out.

What was not measured is left out, never guessed: the report of a run says what it would tell.
"""

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from ...base.reading.cells import IN_THE_FILE
from ...base.reading.key import REQUIRED, Key
from ...base.reading.sheet import SieveSheet, read_sheet
from ...base.reading.tables import Finding
from ...base.reading.toml import read_text
from ...base.reading.values import Bad, show
from ...errors import InputError, Problem
from ...mill.config.answerfile import pairs
from ...mill.config.answers import USUAL, Answer, is_range, is_unknown, one, si_of
from ...mill.config.compose import line, seen_from, toml
from ...mill.config.mill import Config
from ...record.date import now_utc
from .runchecks import contradictions
from .runquestions import BY_UNIT, GROUPS, QUESTIONS, SIEVING, keys_of
from .runspec import AS_IT_TOOK, AT_ONCE, SECTIONS, SPEC
from .sievelines import SieveLines

INSTEAD = "by default"  # how an answer is known that the run sheet is silent on, though its reader is not
_PAN = "sieving.answers.pan"
_ASKED = [key for _, keys in GROUPS for key in keys]


@dataclass
class RunInterview:
    """The answers so far, by key. file: the run sheet that they are for; mill: its config."""

    file: Path
    config: Config
    mill: Path
    overrides: tuple[str, ...] = ()  # what was different from it, as for --set
    answers: dict[str, Answer] = field(default_factory=dict)
    start: dict[str, Answer] = field(default_factory=dict)  # answers that were taken back
    left_out: set[str] = field(default_factory=set)
    sieving: SieveLines = field(default_factory=SieveLines)
    sheet: SieveSheet | None = None

    @property
    def sheet_file(self) -> Path:
        """Where the sieving is written."""
        return self.file.with_name(f"{self.file.stem}-sieve.csv")

    @property
    def is_sieved(self) -> bool:
        """Whether there is a sieving of its own to be written."""
        return SIEVING in self.answers and bool(self.sieving.rows)

    # --- what is asked ------------------------------------------------------------------------------------

    def questions(self, more: Iterable[int] = ()) -> list[tuple[str, str]]:
        """(heading, key) of every question that applies by the answers so far."""
        known = {k: a.value for k, a in self.answers.items()}
        return [(heading, key) for heading, keys in GROUPS for key in keys if QUESTIONS[key].when(known)]

    def is_answered(self, key: str) -> bool:
        """Whether a question has its answer."""
        return key in self.left_out or any(k in self.answers for k in keys_of(key))

    def before(self, key: str) -> list[Answer]:
        """What was answered before it was taken back."""
        return [self.start[k] for k in keys_of(key) if k in self.start]

    def usual(self, key: str) -> str:
        """What an empty line stands for, as it is written; "" where there is nothing usual."""
        if key == "feeding.how":
            feed = self.config.feed
            return AT_ONCE if feed.batch else AS_IT_TOOK if feed.rate_kg_s is None else "metered"
        return {"run.name": self.file.stem.replace("_", " "), "run.date": now_utc()[:10]}.get(key, "")

    # --- answers ------------------------------------------------------------------------------------------

    def take(self, key: str, text: str) -> list[Answer] | None:
        """Understand an answer and keep it; None: more lines of it are to come. Raises Bad."""
        text = " ".join(text.split())
        if key == SIEVING and not is_unknown(text):
            return self._sieved(text)
        if text and not is_unknown(text):
            return self.keep(key, [understood(key, text)])
        if not text and (before := self.before(key)):
            return self.keep(key, before)
        if not text and (usual := self.usual(key)):
            return self.keep(key, [Answer(key, usual, usual, how=USUAL)])
        row = row_of(key)
        if row.default is REQUIRED:
            raise Bad("no run can do without it", row.allowed, f"for example {row.example.strip(chr(34))}")
        self.left_out.add(key)
        return [Answer(key, row.default, row.default, how=INSTEAD)] if row.default not in (None, ()) else []

    def keep(self, key: str, found: Sequence[Answer]) -> list[Answer]:
        """Keep answers to a question in place of the ones before, if they contradict nothing. Raises Bad."""
        others = {k: a for k, a in self.answers.items() if k not in keys_of(key)}
        new = others | {a.key: a for a in found}
        old, found_keys = {f.message for f in self._findings(others)}, [a.key for a in found]
        for finding in self._findings(new):
            if finding.message not in old:
                where = "" if finding.key in found_keys else f"{finding.key}: "
                raise Bad(f"{where}{finding.message}", finding.allowed, finding.hint)
        self.answers = new
        self.left_out.discard(key)
        return list(found)

    def forget(self, key: str) -> None:
        """Take an answer back."""
        self.start |= {k: a for k, a in self.answers.items() if k in keys_of(key)}
        self.answers = {k: a for k, a in self.answers.items() if k not in keys_of(key)}
        self.left_out.discard(key)

    def undo(self, key: str) -> str:
        """The last line of a sieving, taken back; "" where there is none."""
        return self.sieving.undo() if key == SIEVING else ""

    def _findings(self, answers: dict[str, Answer]) -> list[Finding]:
        values: dict[str, Any] = {
            f"{s}.{k.name}": k.default
            for s, keys in SECTIONS.items()
            for k in keys
            if k.default not in (REQUIRED, None)
        }
        values |= {k: a.value for k, a in answers.items()}
        return list(contradictions(values, {"product": (self.sheet,) if self.sheet else ()}))

    def _sieved(self, text: str) -> list[Answer] | None:
        """One line of a sieving, the end of it, or the name of a sheet that there is already."""
        if re.search(r"\.(csv|tsv|txt)$", text, re.I):
            self.sheet = _read(self.file.parent / text)
            self.sieving = SieveLines()
            return self.keep(SIEVING, [understood(SIEVING, text)])
        if text:
            self.sieving.add(text)
            return None
        if not self.sieving.rows:
            self.left_out.add(SIEVING)
            return []
        self.sheet = self.sieving.sheet(self.sheet_file.name)
        found = [Answer(SIEVING, self.sheet_file.name, (self.sheet_file.name,))]
        found += [Answer(_PAN, self.sieving.pan, self.sieving.pan)] if self.sieving.pan else []
        return self.keep(SIEVING, found)

    def fill(self) -> None:
        """What is usual for the questions that have no answer; the others are left out."""
        for key in _ASKED:
            if not self.is_answered(key) and (usual := self.usual(key)):
                self.keep(key, [Answer(key, usual, usual, how=USUAL)])

    # --- files --------------------------------------------------------------------------------------------

    def text(self) -> str:
        """The run sheet as TOML: what was told, and as comments what was not measured."""
        config = seen_from(self.mill, self.file.parent)
        by = self.answers | {"run.config": Answer("run.config", config, config)}
        if self.overrides:
            by["run.overrides"] = Answer("run.overrides", list(self.overrides), self.overrides)
        lines = ["# A measured run, written by `millsim new --run`; `millsim keys run` explains every key."]
        for section, rows in SECTIONS.items():
            told = [_line(section, row, by, self.not_measured()) for row in rows]
            lines += ["", f"[{section}]", *filter(None, told)] if any(f"{section}.{r.name}" in by for r in rows) else []
        return "\n".join(lines) + "\n"

    def not_measured(self) -> list[str]:
        """Questions that were asked for a measurement and have none."""
        asked = [key for _, key in self.questions()]
        left = [k for k in asked if row_of(k).default in (None, ()) and k != "run.note"]
        return [k for k in left if not any(a in self.answers for a in keys_of(k))]


def row_of(key: str) -> Key:
    """The row of a key of a run sheet."""
    section, _, name = key.rpartition(".")
    found = SPEC.find(section, name)
    assert found is not None, key
    return found


def understood(key: str, text: str) -> Answer:
    """What an answer says: a value, for the key that its unit names. Raises Bad."""
    key = BY_UNIT.get((key, si_of(text)), key)
    row = row_of(key)
    if row.kind in ("quantity", "number") and is_range(text):
        raise Bad(f"{show(text)} is no reading", row.allowed, "a run sheet holds what was measured: one number, or `?`")
    return one(key, text, row)


def _read(path: Path) -> SieveSheet:
    """A sieve sheet that there is already. Raises Bad."""
    try:
        return read_sheet(path, IN_THE_FILE)
    except InputError as error:
        first = error.problems[0]
        raise Bad(f"{path.name}: {first.message}", first.allowed, first.hint) from None


def _line(section: str, row: Key, by: Mapping[str, Answer], not_measured: Sequence[str]) -> str:
    """The line of a key that was told; as a comment what was asked for and not measured; else nothing."""
    key = f"{section}.{row.name}"
    if key in by:
        return line(f"{row.name} = {toml(by[key].raw)}", row.about)
    return line(f"# {row.name} = {row.example}", f"not measured: {row.about}") if key in not_measured else ""


def read_run_answers(path: Path, interview: RunInterview) -> None:
    """Put the answers of a file into an interview. Raises InputError with every problem."""
    text = read_text(path)
    if isinstance(text, Problem):
        raise InputError(text)
    problems: list[Problem] = []
    known = [f"{s}.{k.name}" for s, keys in SECTIONS.items() for k in keys if f"{s}.{k.name}" != "run.config"]
    found = pairs(text, str(path), known, problems)
    for key in sorted(found, key=lambda k: (k not in _ASKED, _ASKED.index(k) if k in _ASKED else 0)):
        try:
            _put(interview, key, found[key])
        except Bad as bad:
            problems.append(Problem(str(path), key, bad.message, bad.allowed, bad.hint))
    if problems:
        raise InputError(problems)


def _put(interview: RunInterview, key: str, text: str) -> None:
    """One answer of a file; the lines of a sieving stand in one, apart by semicolons or as a list."""
    if key == SIEVING and not re.search(r"\.(csv|tsv|txt)$", text, re.I):
        for part in (*re.split(r"\s*;\s*|\s+or\s+", text), ""):
            interview.take(key, part)
    elif key in _ASKED:
        interview.take(key, text)
    else:
        question = next((q for q in _ASKED if key in keys_of(q)), key)
        interview.keep(question, [understood(key, text)])
