"""From a value and its limit to a ReviewLine: the verdict goes by the margin, and the words follow the verdict."""

import math
from dataclasses import dataclass

from .line import PREDICTION, ReviewLine

CLOSE = 1.5  # a margin below this is close (assumed)


@dataclass(frozen=True)
class Rule:
    """One check before it is applied: where it belongs, its formula, and what the limit rests on."""

    group: str
    name: str
    unit: str
    formula: str
    basis: str
    source: str
    close: float = CLOSE
    least: bool = False  # the limit is the least the value may be, not the most

    def judge(self, value: float, limit: float, said: str, close: str = "", fails: str = "", **more) -> ReviewLine:
        """The ReviewLine of a value against its limit; said: what it is; close: what to do if close, or else `fails`.

        more: `margin` where it is not the plain ratio; `basis` or `source` where they are not the rule's.
        """
        margin = more.pop("margin", None)
        if not (math.isfinite(value) and math.isfinite(limit)):
            return self.missing("a figure it needs is not known", said)
        if margin is None:
            margin = self.margin(value, limit)
        verdict = "fails" if margin < 1.0 else "close" if margin < self.close else "passes"
        advice = {"fails": fails or close, "close": close, "passes": ""}[verdict]
        return self._line(value, limit, margin, verdict, said, more, advice)

    def margin(self, value: float, limit: float) -> float:
        """How many times the value fits into the limit; the other way round where the limit is the least allowed."""
        above, below = (value, limit) if self.least else (limit, value)
        return above / below if below > 0.0 else math.inf

    def tell(self, verdict: str, value: float | None, said: str, limit: float | None = None, **more) -> ReviewLine:
        """A ReviewLine with a verdict that is no matter of the margin alone."""
        margin = more.pop("margin", None)
        if margin is None and limit is not None and value is not None:
            margin = self.margin(value, limit)
        return self._line(value, limit, margin, verdict, said, more)

    def note(self, value: float | None, said: str, limit: float | None = None, **more) -> ReviewLine:
        """Something to know, neither passed nor failed."""
        return self.tell("note", value, said, limit, **more)

    def missing(self, what: str, said: str = "", value: float | None = None) -> ReviewLine:
        """Not checked, and why."""
        found = self._line(value, None, None, "not checked", what, {}, said)
        return found._replace(needs=(PREDICTION,)) if what == PREDICT else found

    def give(self, *keys: str, said: str = "", value: float | None = None, what: str = "") -> ReviewLine:
        """Not checked, and the keys to give; what: said of them in place of their bare names."""
        return self.missing(f"give {what or ' and '.join(keys)}", said, value)._replace(needs=keys)

    def _line(self, value, limit, margin, verdict, said, more, advice="") -> ReviewLine:
        basis, source = more.get("basis", self.basis), more.get("source", self.source)
        return ReviewLine(
            self.group, self.name, value, self.unit, limit, margin, verdict, said, advice, self.formula, basis, source
        )


PREDICT = "needs the prediction of a mill that runs: leave out --quick, or mend what keeps it from running"
