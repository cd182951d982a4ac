"""Two mills in a row: what leaves the first is the feed of the second, as it is and at the rate it comes.

The line runs at the smaller of what the first mill gives and what the second takes of that very powder. Where the
second takes less, the first is fed less, its powder is then another one, and the rate is found as a fixed point. With
a sieve after the second mill the oversize goes back to the second mill.

Taken, not measured: the powder has cooled to the temperature of the second mill's feed on its way.
"""

from dataclasses import dataclass, replace
from math import exp, log

from ...errors import InputError, Problem, unsettled
from ...mill.config import checks, derived
from ...mill.config.mill import Config
from ...mill.config.product import closed_curve, other_material
from ...mill.config.sections import FeedSize
from ...record.limits import CANNOT, OK, OVER, STATUS_WORDS
from .loop import NO_SIEVE, close, ready, through, wrong_cut, wrong_feed
from .turns import BACK_OFF, ROUGH, TURNS, Circuit, SieveCut

FIRST, SECOND, ASKED = "first", "second", "asked"
_LEAP = 1.5  # largest change of ln rate in one turn


@dataclass(frozen=True)
class Line:
    """Two mills at the rate of their line, SI. Each mill is a Circuit; without a sieve all of its powder is accepted.

    binds: "first" or "second" mill, or "asked" where the line gives what was asked. first_alone_kg_s: what the first
    mill gives by itself; second_takes_kg_s: what the second takes of the powder the first then makes (NaN: not
    sought). residual: of the second mill, and of the rates of the two where the second binds.
    """

    code: int  # record.limits: OK, OVER, CANNOT
    reason: str
    binds: str
    rate_kg_s: float  # fresh feed of the first mill, and of the second
    first_alone_kg_s: float
    second_takes_kg_s: float
    first: Circuit
    second: Circuit | None  # None where the first mill cannot run
    sizes_m: tuple[float, ...]  # feed curve of the second mill
    q3: tuple[float, ...]
    residual: float
    turns: int

    @property
    def status(self) -> str:
        """In words, as of a prediction."""
        return STATUS_WORDS[self.code]

    @property
    def accepted_kg_s(self) -> float:
        """Powder that leaves the line."""
        return self.second.accepted_kg_s if self.second else 0.0

    @property
    def gross_J_kg(self) -> float:
        """Electrical energy of both mills per kilogram of powder."""
        if not self.second or not self.accepted_kg_s > 0.0:
            return float("inf")
        return (self.first.electrical_W + self.second.electrical_W) / self.accepted_kg_s


def fed_with(config: Config, first: Circuit) -> Config:
    """The config with the powder of a first mill as its feed size; text and hash stay those of the config as read."""
    sizes, q3 = closed_curve(first.edges_m, first.accepted_q3)
    table = {"kind": "table", "apertures": sizes, "q3": q3}
    ends = derived.largest_piece(table) or sizes[-1], derived.top_piece(table) or sizes[-1]
    size = FeedSize("sieve_sheet", None, None, None, None, None, None, sizes, q3, *ends)
    return replace(config, feed=config.feed.steady(size))


def line(first: Config, second: Config, cut: SieveCut = NO_SIEVE, class_ratio: float | None = None) -> Line:
    """The line of two mills, at the first config's rate or as fast as it can grind; the second's own feed is not used.

    cut: sieve after the second mill, whose oversize goes back to it. Raises InputError, NotConverged.
    """
    _check(first, second, cut)
    both = _Both(first, second, cut, class_ratio)
    a = both.first(first.feed.rate_kg_s)
    if a.code == CANNOT:
        return Line(CANNOT, f"first mill: {a.reason}", FIRST, 0.0, 0.0, float("nan"), a, None, (), (), a.residual, 1)
    b = both.second(a, a.total_kg_s)
    asked = first.feed.rate_kg_s is not None
    if b.code == OK:
        return both.line(a.code, ASKED if asked and a.code == OK else FIRST, a, a, b, float("nan"), b.residual)
    if b.code == CANNOT:
        return both.line(CANNOT, SECOND, a, a, b, 0.0, b.residual)
    return both.throttled(a, b, OVER if asked else OK)


def _check(first: Config, second: Config, cut: SieveCut) -> None:
    """Raise InputError with all that stands against this line."""
    wrong = [*wrong_cut(cut), *wrong_feed(first)]
    if found := other_material(first.material, second.material, f"what {first.name} makes"):
        wrong.append(Problem(str(second.path or "second config"), "feed.material", found[0], hint=found[1]))
    if wrong:
        raise InputError(wrong)


class _Both:
    """The two mills, each solved anew at every turn."""

    def __init__(self, first: Config, second: Config, cut: SieveCut, class_ratio: float | None):
        self.config, self.cut, self.ratio, self.turns = second, cut, class_ratio, 0
        self.problem = ready(first, NO_SIEVE, class_ratio)

    def first(self, rate_kg_s: float | None) -> Circuit:
        """The first mill."""
        return through(self.problem, NO_SIEVE, rate_kg_s)

    def second(self, a: Circuit, rate_kg_s: float | None) -> Circuit:
        """The second mill fed with the powder of the first."""
        self.turns += 1
        fed = fed_with(self.config, a)
        fits(fed, a)
        problem = ready(fed, self.cut, self.ratio)
        if self.cut == NO_SIEVE:
            return through(problem, NO_SIEVE, rate_kg_s)
        return close(problem, self.cut, rate_kg_s)

    def line(self, code: int, binds: str, alone: Circuit, a: Circuit, b: Circuit, takes: float, residual: float):
        """The record of the line."""
        runs = code != CANNOT
        reason = "" if runs else f"second mill: {b.reason}"
        sizes, q3 = closed_curve(a.edges_m, a.accepted_q3)
        rate = b.fresh_kg_s if runs else 0.0
        return Line(code, reason, binds, rate, alone.total_kg_s, takes, a, b, sizes, q3, residual, self.turns)

    def throttled(self, alone: Circuit, b: Circuit, code: int) -> Line:
        """The second mill takes less: the rate at which it takes all that the first then gives, by a secant in logs."""
        top, takes = log(alone.total_kg_s), b.fresh_kg_s
        x, before, h_before = log(takes), top, log(takes) - top
        for _ in range(TURNS):
            a = self.first(exp(x))
            b = self.second(a, None)
            if b.code == CANNOT:
                return self.line(CANNOT, SECOND, alone, a, b, takes, b.residual)
            h = log(b.fresh_kg_s) - x
            if abs(h) <= ROUGH:
                return self._settled(alone, x, takes, abs(h), code)
            slope = (h - h_before) / (x - before) if x != before else -1.0
            step = -h / slope if slope < -0.05 else h
            before, h_before = x, h
            x = min(top, x + min(_LEAP, max(-_LEAP, step)))
        raise unsettled("the rate of the two mills")

    def _settled(self, alone: Circuit, x: float, takes: float, off: float, code: int) -> Line:
        """Both mills at one rate, just below what the second takes."""
        for share in BACK_OFF:
            a = self.first(exp(x) * (1.0 - share))
            b = self.second(a, a.total_kg_s)
            if b.code == OK:
                return self.line(code, SECOND, alone, a, b, takes, max(off, b.residual))
        raise unsettled("the second mill just below the largest rate it takes")


def fits(fed: Config, a: Circuit) -> None:
    """Raise InputError where the second mill cannot be fed with these pieces at all."""
    values = {"feed.top": fed.feed.size.top_m, "feed.opening": fed.feed.opening_m}
    values["rotor.radius"] = fed.rotor.radius_m
    wrong = [Problem(str(fed.path or "second config"), *f) for f in checks.contradictions(values)]
    if wrong:
        raise InputError(wrong)
