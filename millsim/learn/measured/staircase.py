"""Two classical ways to the energy that breaks half: Dixon and Mood's staircase, Spearman and Kaerber's sum.

Each says for itself whether a set of trials is of its kind. Knows no files; plain Python.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import log, sqrt

STEP_SLACK = 0.02  # steps this close count as equal: levels are set by a ruler


class NotOfThisKind(ValueError):
    """Trials that the method does not apply to; the message says why."""


@dataclass(frozen=True)
class Staircase:
    """Dixon-Mood: mean and standard deviation of the tolerance, in the unit of the levels (or of their ln)."""

    mean: float
    sd: float
    step: float
    statistic: float
    counted: str  # "broken" or "whole": the rarer event, which the sums run over
    count: int  # how many of it

    @property
    def sd_is_rule(self) -> bool:
        """Whether the spread is only the rule for too small a statistic, 0.53 of the step."""
        return self.statistic < 0.3


def dixon_mood(levels: Sequence[float], broken: Sequence[bool], step: float) -> Staircase:
    """Mean and spread from an up-and-down sequence of levels a `step` apart.

    mean = lowest + step (A/N -+ 1/2), minus where the sums run over the broken; spread = 1.62 step (M + 0.029) with
    M = (N B - A^2) / N^2, or 0.53 step where M is below 0.3. Source: Dixon & Mood 1948, J. Am. Stat. Assoc. 43:109
    (from memory, tested against a worked example).
    """
    gone = sum(map(bool, broken))
    over = gone <= len(broken) - gone
    counted = [x for x, b in zip(levels, broken, strict=True) if bool(b) == over]
    if not counted:
        raise NotOfThisKind("every piece broke, or none did")
    lowest = min(counted)
    i = [round((x - lowest) / step) for x in counted]
    n, a, b = len(i), sum(i), sum(j * j for j in i)
    statistic = (n * b - a * a) / (n * n)
    mean = lowest + step * (a / n + (-0.5 if over else 0.5))
    sd = 1.62 * step * (statistic + 0.029) if statistic >= 0.3 else 0.53 * step
    return Staircase(mean, sd, step, statistic, "broken" if over else "whole", n)


def staircase_step(levels: Sequence[float], broken: Sequence[bool]) -> tuple[float, bool]:
    """(step, whether of ln level) of an up-and-down test in the order of its trials; NotOfThisKind otherwise.

    After a piece that broke the next level is one step lower, after one that stayed whole one step higher.
    """
    if len(levels) < 6:
        raise NotOfThisKind("a staircase needs at least 6 drops")
    moves = list(zip(levels[:-1], levels[1:], broken[:-1], strict=True))
    if any((b < a) != bool(gone) or a == b for a, b, gone in moves):
        raise NotOfThisKind("heights do not go one step down after each break and one up after each piece left whole")
    for on_log in (False, True):
        steps = [abs(log(b / a)) if on_log else abs(b - a) for a, b, _ in moves]
        step = sum(steps) / len(steps)
        if all(abs(s - step) <= STEP_SLACK * step for s in steps):
            return step, on_log
    raise NotOfThisKind("the steps up and down are not equal, neither in height nor in ratio")


@dataclass(frozen=True)
class SpearmanKaerber:
    """Mean of the tolerance, its standard error, and its variance (the mass of each step half at either end)."""

    mean: float
    se: float
    variance: float
    pooled: bool  # whether levels had to be pooled because a harder hit broke fewer


def spearman_kaerber(x: Sequence[float], n: Sequence[int], k: Sequence[int]) -> SpearmanKaerber:
    """Mean tolerance from shares k/n at ascending levels x that run from none broken to all broken.

    mean = sum of rises in share times the middle of their levels; levels where a share falls are pooled with their
    neighbours first. Source: Spearman 1908, Kaerber 1931; standard error Finney 1978, Statistical Method in
    Biological Assay (all from memory, tested against a worked example).
    """
    p = _rising(n, k)
    if p[0] > 0.0 or p[-1] < 1.0:
        end = "the lowest level broke some" if p[0] > 0.0 else "the highest level did not break all"
        raise NotOfThisKind(f"the shares must run from none broken to all broken, but {end}")
    rises = [(b - a, x0, x1) for a, b, x0, x1 in zip(p[:-1], p[1:], x[:-1], x[1:], strict=True)]
    mean = sum(d * 0.5 * (x0 + x1) for d, x0, x1 in rises)
    variance = sum(d * 0.5 * (x0 * x0 + x1 * x1) for d, x0, x1 in rises) - mean * mean
    inner = zip(x[:-2], x[2:], p[1:-1], n[1:-1], strict=True)
    se = sqrt(sum((0.5 * (x1 - x0)) ** 2 * q * (1.0 - q) / max(1, m - 1) for x0, x1, q, m in inner))
    return SpearmanKaerber(mean, se, max(0.0, variance), p != [a / b for a, b in zip(k, n, strict=True)])


def _rising(n: Sequence[int], k: Sequence[int]) -> list[float]:
    """Shares k/n made non-decreasing by pooling neighbours (pool-adjacent-violators)."""
    blocks: list[list[float]] = []  # tested, broken, levels
    for tested, gone in zip(n, k, strict=True):
        blocks.append([tested, gone, 1])
        while len(blocks) > 1 and blocks[-2][1] * blocks[-1][0] > blocks[-1][1] * blocks[-2][0]:
            last = blocks.pop()
            blocks[-1] = [a + b for a, b in zip(blocks[-1], last, strict=True)]
    return [gone / tested for tested, gone, levels in blocks for _ in range(int(levels))]
