"""From a value and its limit to a ReviewLine: the verdict goes by the margin, and the words follow the verdict."""

import math

from ...record.limits import CLOSE
from .line import FAILS, NOTE, PASSES, PREDICTION, UNCHECKED, Check, Number, ReviewLine, Words


class Rule(Check):
    """A check with the ways to apply it. Words may be functions that make them: they are called when words are read."""

    def judge(
        self, value: float, limit: float, said: Words, close: Words = "", fails: Words = "",
        margin: float | None = None, basis: str = "", source: str = "",
    ) -> ReviewLine:  # fmt: skip
        """The ReviewLine of a value against its limit; said: what it is; close: what to do if close, or else `fails`.

        margin: where it is not the plain ratio; basis, source: where they are not the rule's.
        """
        if not (math.isfinite(value) and math.isfinite(limit)):
            return self.missing("a figure it needs is not known", said)
        if margin is None:
            margin = self.margin(value, limit)
        if margin >= self.close:
            return ReviewLine(self, PASSES, value, limit, margin, said, "", basis, source)
        verdict, advice = (CLOSE, close) if margin >= 1.0 else (FAILS, fails or close)
        return ReviewLine(self, verdict, value, limit, margin, said, advice, basis, source)

    def tell(
        self, verdict: str, value: Number, said: Words, limit: float | None = None, advice: Words = "",
        margin: float | None = None, basis: str = "", source: str = "",
    ) -> ReviewLine:  # fmt: skip
        """A ReviewLine with a verdict that is no matter of the margin alone."""
        return ReviewLine(self, verdict, value, limit, margin, said, advice, basis, source)

    def note(self, value: Number, said: Words, limit: float | None = None) -> ReviewLine:
        """Something to know, neither passed nor failed."""
        return ReviewLine(self, NOTE, value, limit, None, said)

    def missing(self, what: str, said: Words = "", value: float | None = None) -> ReviewLine:
        """Not checked, and why."""
        needs = (PREDICTION,) if what == PREDICT else ()
        return ReviewLine(self, UNCHECKED, value, None, None, what, said, needs=needs)

    def give(self, *keys: str, said: Words = "", value: float | None = None, what: str = "") -> ReviewLine:
        """Not checked, and the keys to give; what: said of them in place of their bare names."""
        words = f"give {what or ' and '.join(keys)}"
        return ReviewLine(self, UNCHECKED, value, None, None, words, said, needs=keys)


PREDICT = "needs the prediction of a mill that runs: leave out --quick, or mend what keeps it from running"
