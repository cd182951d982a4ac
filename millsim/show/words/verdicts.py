"""How many checks of the pre-build review have a verdict, in words."""

from ...record.limits import AT, CLOSE, OUTSIDE
from ...studies.prebuild.line import FAILS, PASSES

_COUNTED = {  # of one, of more
    FAILS: ("fails", "fail"),
    AT: ("is at its limit", "are at their limits"),
    OUTSIDE: ("is outside the usual", "are outside the usual"),
    CLOSE: ("is close", "are close"),
    PASSES: ("passes", "pass"),
}


def counted(verdict: str, count: int) -> str:
    """So many checks with a verdict: "1 fails", "none pass"."""
    one, more = _COUNTED[verdict]
    return f"{count or 'none'} {one if count == 1 else more}"
