"""The largest value of a function of one number, from a place where it is known, upwards to where it falls or ends."""

from collections.abc import Callable

STEP, LONGEST, WIDEST = 0.02, 0.7, 10.0  # first step up, the longest one, and how far the largest value is sought
TRIALS, FLAT, NARROW = 40, 1e-5, 1e-4  # at most; how alike three values around the largest are; how near to each other
GOLDEN = 0.382  # of the wider side, where a parabola is no help
Point = tuple[float, float]


def climb(value: Callable[[float], float], start: float, at_start: float) -> float:
    """Where the value is largest, from `start` upwards; at_start: the value there. value(x) is -inf where it ends."""
    step, low = STEP, (start, at_start)
    middle, high = low, (start + step, value(start + step))
    while not high[1] > at_start:
        step *= 0.5
        if step < NARROW:
            return start
        high = start + step, value(start + step)
    while high[1] > middle[1]:
        if high[0] - start > WIDEST:
            return high[0]
        step = min(2.0 * step, LONGEST)
        low, middle = middle, high
        high = middle[0] + step, value(middle[0] + step)
    return _narrowed(value, low, middle, high)


def _narrowed(value: Callable[[float], float], low: Point, middle: Point, high: Point) -> float:
    """Where the value is largest between two points, of which a third in the middle has more."""
    for turn in range(TRIALS):
        if middle[1] - min(low[1], high[1]) < FLAT or high[0] - low[0] < NARROW:
            break
        x = _next(low, middle, high, turn % 3 == 2)
        new = x, value(x)
        best, other = (new, middle) if new[1] > middle[1] else (middle, new)
        low, high = (low, other) if other[0] > best[0] else (other, high)
        middle = best
    return middle[0]


def _next(low: Point, middle: Point, high: Point, plain: bool) -> float:
    """Where a parabola through three points is highest, but not at the middle one; plain: by the golden section."""
    left, right = middle[0] - low[0], high[0] - middle[0]
    wider = right if right > left else -left
    rise, fall = (middle[1] - low[1]) / left, (middle[1] - high[1]) / right
    if plain or not 0.0 < rise + fall < float("inf"):
        return middle[0] + GOLDEN * wider
    top = 0.5 * (low[0] + middle[0] + (left + right) * rise / (rise + fall))
    least = 0.02 * (left + right)
    return top if abs(top - middle[0]) > least else middle[0] + (least if wider > 0.0 else -least)
