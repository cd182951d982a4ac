"""The answers of a builder on their way to a config: which question comes next, what contradicts, what is left open."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from typing import Any

from ...base.reading.key import REQUIRED
from ...base.reading.values import Bad, convert
from . import checks, derived
from .answers import FROM_HAND, GUESS, USUAL, Answer, dont_know, row_of, understood, usual, written
from .questions import GROUPS, MORE, QUESTIONS
from .schema import ALTERNATIVES, SAME, SECTIONS, find_key

_SIZES = tuple(f"feed.size.{k.name}" for k in SECTIONS["feed.size"])
NARROWER = 6  # times a guess's range is halved towards its value, until it contradicts nothing


@dataclass
class Interview:
    """The answers so far, by key. start: those taken over from another config."""

    answers: dict[str, Answer] = field(default_factory=dict)
    start: dict[str, Answer] = field(default_factory=dict)
    left_out: set[str] = field(default_factory=set)  # questions that were answered by leaving the key out

    # --- what is asked ------------------------------------------------------------------------------------

    def questions(self, more: Iterable[int] = ()) -> list[tuple[str, str]]:
        """(heading, key) of every question that applies by the answers so far; more: indices of MORE, asked too."""
        groups = [*GROUPS, *(MORE[i] for i in more)]
        return [(heading, key) for heading, keys in groups for key in keys if self.applies(key)]

    def applies(self, key: str) -> bool:
        """Whether a key is asked for, by the answers so far and, where there are none yet, by what is usual."""
        q, known = QUESTIONS[key], self.known()
        if q.when is not None and not q.when(known):
            return False
        row = find_key(*key.rpartition(".")[::2])
        if row is None or not row.only:
            return True
        selector = f"{key.rpartition('.')[0]}.{row.only[0]}"
        return known.get(selector, usual(selector, known)) == row.only[1]

    def known(self) -> dict[str, Any]:
        """SI values of the answers so far."""
        return {k: a.value for k, a in self.answers.items()}

    def is_answered(self, key: str) -> bool:
        """Whether a question has its answer."""
        return key in self.left_out or any(k in self.answers for k in keys_of(key))

    def before(self, key: str) -> list[Answer]:
        """What the config taken over, or an answer before this one, says to a question."""
        for source in (self.answers, self.start):
            if found := [source[k] for k in keys_of(key) if k in source]:
                return found
        return []

    def usual(self, key: str) -> Any:
        """The usual answer, SI; None where there is none."""
        return None if key == "feed.material" else usual(key, self.known())

    # --- answers ------------------------------------------------------------------------------------------

    def take(self, key: str, text: str) -> list[Answer]:
        """Understand a text and keep it; empty: what stood there before, or the usual. Raises Bad."""
        found = understood(key, text, self.known()) if text.strip() else self._empty(key)
        return self.keep(key, found)

    def keep(self, key: str, found: list[Answer]) -> list[Answer]:
        """Keep answers to a question in place of the ones before, if they contradict nothing. Raises Bad.

        A guess whose range reaches into a contradiction is narrowed.
        """
        others = {k: a for k, a in self.answers.items() if k not in keys_of(key)}
        found = [narrowed(a, others) for a in found]
        new = others | {a.key: a for a in found}
        for finding in _new_findings(others, new):
            raise Bad(f"{finding.key}: {finding.message}", finding.allowed, finding.hint)
        self.answers = new
        self.left_out = self.left_out - {key} if found else self.left_out | {key}
        return found

    def forget(self, key: str) -> None:
        """Take an answer back."""
        self.start |= {k: a for k, a in self.answers.items() if k in keys_of(key)}  # shown as what stood there
        self.answers = {k: a for k, a in self.answers.items() if k not in keys_of(key)}
        self.left_out.discard(key)

    def undo(self, key: str) -> str:
        """What of an answer of several lines was taken back; here every answer is one line."""
        return ""

    def _empty(self, key: str) -> list[Answer]:
        if before := self.before(key):
            return before
        row = find_key(*key.rpartition(".")[::2])
        if QUESTIONS[key].unasked or (row is not None and row.default is None and key not in _main()):
            return dont_know(key, self.known()) if QUESTIONS[key].unasked else []
        if key == "feed.rate":
            return dont_know(key, self.known())
        value = self.usual(key)
        if value is None:
            raise Bad("there is no usual one", "", "an answer, or `?` for don't know")
        if key == "feed.size":
            return [replace(a, how=USUAL, guess=()) for a in dont_know(key, self.known())]
        raw = raw_of(key, value)
        return [Answer(key, raw, value, how=USUAL)]

    def fill(self) -> list[str]:
        """Guess every question of the main part that is not answered; the keys that were. Raises Bad."""
        filled = []
        for _ in range(3):  # an answer may make another question apply
            for _, key in self.questions():
                if self.applies(key) and not self.is_answered(key):
                    self._guess(key)
                    filled.append(key)
        for key, q in QUESTIONS.items():
            if q.unasked and self.applies(key) and not self.is_answered(key):
                self.keep(key, self.before(key) or dont_know(key, self.known()))
        self.answers = {k: a for k, a in self.answers.items() if self._belongs(k)}
        return filled

    def _guess(self, key: str) -> None:
        if before := self.before(key):
            self.keep(key, before)
            return
        try:
            self.keep(key, dont_know(key, self.known()))
        except Bad:
            self.keep(key, self._empty(key))

    def _belongs(self, key: str) -> bool:
        """Whether a key goes with the words that others have."""
        section, _, name = key.rpartition(".")
        row = find_key(section, name)
        if row is None or not row.only:
            return True
        return self.known().get(f"{section}.{row.only[0]}") == row.only[1]

    def carried(self) -> list[Answer]:
        """What a config taken over says beyond all questions, where nothing else does."""
        asked = {k for key in QUESTIONS for k in keys_of(key)}
        kept = [a for k, a in self.start.items() if k not in asked and k not in self.answers]
        optional = [a for k, a in self.start.items() if k in asked and k not in self.answers and not self._replaced(k)]
        return [a for a in [*kept, *optional] if self._belongs(a.key)]

    def _replaced(self, key: str) -> bool:
        """Whether another key says what this one would."""
        return any(key in keys_of(k) and self.is_answered(k) for k in QUESTIONS)


def _main() -> set[str]:
    return {key for _, keys in GROUPS for key in keys}


def keys_of(key: str) -> tuple[str, ...]:
    """The keys of the config of which one answers a question."""
    if key == "feed.size":
        return _SIZES
    section, _, name = key.rpartition(".")
    for where, groups, _ in ALTERNATIVES:
        names = [n for g in groups for n in g]
        if where == section and name in names:
            return tuple(f"{section}.{n}" for n in names)
    if name in SAME.get(section, ()):
        return tuple(f"{section}.{n}" for n in SAME[section])
    return (key,)


def raw_of(key: str, value: Any) -> Any:
    """A usual value as it is written in a config."""
    row = row_of(key)
    return written(row, value) if row.kind in ("quantity", "number", "whole") else value


def _settled(answers: Mapping[str, Answer]) -> dict[str, Any]:
    values = {f"{s}.{k.name}": k.default for s, keys in SECTIONS.items() for k in keys if k.default is not REQUIRED}
    values |= {k: a.value for k, a in answers.items()}
    derived.derive(values)
    return values


def _findings(answers: Mapping[str, Answer]) -> list[checks.Finding]:
    return list(checks.contradictions(_settled(answers)))


def _new_findings(before: Mapping[str, Answer], now: Mapping[str, Answer]) -> list[checks.Finding]:
    """Contradictions among the answers that were not there before."""
    old = {f.message for f in _findings(before)}
    return [f for f in _findings(now) if f.message not in old]


def narrowed(a: Answer, others: Mapping[str, Answer]) -> Answer:
    """A guess with as much of its range as contradicts no other answer; without one where nothing is left of it."""
    row = row_of(a.key)
    if not a.guess or row.kind not in ("quantity", "number", "whole"):
        return a
    ends = []
    for raw in a.guess:
        end = convert(raw, row)
        for _ in range(NARROWER):
            at = replace(a, value=round(end) if row.kind == "whole" else end)
            if not _new_findings(others, {**others, a.key: at}):
                break
            end = 0.5 * (end + a.value)
        else:
            end = a.value
        ends.append(end)
    if ends[0] >= ends[1] or not ends[0] <= a.value <= ends[1]:
        return replace(a, guess=(), how=FROM_HAND)
    kept = [convert(raw, row) for raw in a.guess]
    same = all(x == y for x, y in zip(ends, kept, strict=True))
    return a if same else replace(a, guess=tuple(raw_of(a.key, e) for e in ends), how=GUESS)
