"""Errors a user can act on, and the exit code each one gives."""

from dataclasses import dataclass

MOST_TOLD = 50  # problems of one command; a file of another kind has thousands


class MillsimError(Exception):
    """A run that failed for a stated reason; the command line prints the sentence and exits 1."""

    exit_code = 1


@dataclass(frozen=True)
class Problem:
    """One thing wrong with the input, told so that it can be mended without reading code."""

    where: str  # file, or "--set"
    key: str  # dotted key, e.g. "stator.gap"
    message: str  # what is wrong, with the value given
    allowed: str = ""  # allowed range or choices
    hint: str = ""  # the likely slip: "did you mean ...?"

    def __str__(self) -> str:
        text = f"{self.where}: {self.key}: {self.message}" if self.key else f"{self.where}: {self.message}"
        if self.allowed:
            text += f"; allowed: {self.allowed}"
        if self.hint:
            text += f"; {self.hint}"
        return text


class InputError(MillsimError):
    """Bad input: carries every problem found in one pass; the command line exits 2."""

    exit_code = 2

    def __init__(self, problems: "list[Problem] | Problem"):
        self.problems = [problems] if isinstance(problems, Problem) else list(problems)
        super().__init__("\n".join(self.lines))

    @property
    def lines(self) -> list[str]:
        """The first problems, a line each, and how many there are where that is not all."""
        lines, count = [str(p) for p in self.problems[:MOST_TOLD]], len(self.problems)
        return lines + [f"these are the first {MOST_TOLD} of {count} problems."] * (count > MOST_TOLD)


class NotConverged(MillsimError):
    """There is no steady state, or none was found."""


class NoState(NotConverged):
    """There is no state, and that is the answer, a no; the command line exits 3."""

    exit_code = 3


def unsettled(what: str) -> NotConverged:
    """A state that must be there and was not found. what: the thing, and where it stood."""
    return NotConverged(
        f"{what} did not settle, which is a fault of the program: please send its authors all files that this command "
        "read, the command as it was typed, and what `millsim --version` says"
    )


class NothingRuns(MillsimError):
    """None of the mills asked about gives any powder: an answer, but no; the command line exits 3."""

    exit_code = 3


class ResultFileError(InputError):
    """A result file that is missing, truncated, foreign or from an unknown major version."""
