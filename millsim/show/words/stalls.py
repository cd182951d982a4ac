"""Stalls in words: what was fed, what stalled, and how often it may; a count of none is never a clearance."""

import math

from ...base.quantities.written import capital, digits, duration, given, join_words, rate_words
from ...record.asked import config_value, handful_of
from ...record.limits import OVER, STATUS_WORDS
from ...record.prediction import STEADY, ChamberTrace, Prediction, Running

TRIED = 95  # per cent, of the intervals


def stall_risk(p: Prediction) -> str:
    """How often it stalls, at a start and while it runs; or that too few pieces came to tell."""
    t = p.trace
    if t is None or t.runs <= 0:
        return ""
    told = f"{fed_words(p)}, and followed piece by piece: {'; '.join(stall_chances(t))}.{_no_hours(p, t)}"
    return f"{told}{by_hand(p, t)}"


def by_hand(p: Prediction, t: ChamberTrace) -> str:
    """What a handful does in the history that is shown; "" where the feed is even."""
    if handful_of(p) is None or not len(t.charge_kg):
        return ""
    running, idle = t.speed_rad_s > 0.0, config_value(p, "drive", "speed", "rad/s")
    most, watts = given(float(t.charge_kg.max()), "kg"), given(float((t.torque_Nm * t.speed_rad_s).max()), "W")
    slowed = 100.0 * float(t.speed_rad_s[running].min()) / idle if running.any() else 0.0
    down = "and stops the rotor"
    if running.all():
        after, when = 100.0 * float(t.speed_rad_s[-1]) / idle, duration(t.duration_s)
        down = f"and the rotor down to {slowed:.0f} % of its speed without load; after {when} it has {after:.0f} %"
    return f" A handful brings the charge to {most} and the shaft to {watts} for a moment, {down}."


def _no_hours(p: Prediction, t: ChamberTrace) -> str:
    """Why no chance per hour of running is told; "" where one is."""
    why = no_hours(p, t)
    return f" None per hour is told: {why}." if why else ""


def no_hours(p: Prediction, t: ChamberTrace) -> str:
    """The same as a clause."""
    if t.running is not None or not len(t.charge_kg):  # a file of before that knows nothing of running
        return ""
    if p.status == STATUS_WORDS[OVER]:
        return "fed more than it takes it has no steady charge to run at, but fills up until a limit stops it"
    return "its steady charge holds more pieces than can be followed"


def fed_words(p: Prediction) -> str:
    """ "fed 40 g/h, a piece every 3.7 s": what the histories were fed, as far as the record knows."""
    t = p.trace
    asked = math.isfinite(p.requested_rate_kg_s)
    rate = p.requested_rate_kg_s if asked or t is None else t.fed_kg_s
    fed = f"fed {rate_words(rate, 3)}" if math.isfinite(rate) else "fed this rate"
    if hand := by_hand_words(p):
        return f"{hand}, {rate_words(rate, 3)} on average"
    return fed if t is None or not t.pieces_1_s > 0 else f"{fed}, {_pace(t.pieces_1_s)}"


def by_hand_words(p: Prediction) -> str:
    """ "fed 50 g by hand every 60 s"; "" of another feed."""
    hand = handful_of(p)
    return f"fed {given(hand[0], 'kg')} by hand every {duration(hand[1])}" if hand else ""


def _pace(pieces_1_s: float) -> str:
    if pieces_1_s >= 1.0:
        return f"{digits(pieces_1_s, 2)} pieces a second"
    return f"a piece every {duration(1 / pieces_1_s)}"


def stall_chances(t: ChamberTrace) -> list[str]:
    """Both chances with their intervals, a clause each; or that too few pieces came."""
    if t.too_few:
        came = [f"{t.arrived} came in {_starts(t)}"]
        came += [f"{t.running.arrived} in {_watched(t.running)}"] if t.running else []
        return ["too few pieces to tell how often it stalls", ", ".join(came)]
    told = [f"{stall_counts(t)}: {start_chance(t)}"]
    if t.running and t.by_hand:
        told[-1] += f" ({TRIED} % interval)"
        return [*told, _handfuls(t.running)]
    told += [f"{_running_counts(t.running)}: {running_rate(t.running)}"] if t.running else []
    told[-1] += f" ({TRIED} % interval{'s' if t.running else ''})"
    return told


def stalls_seen(t: ChamberTrace | None) -> str:
    """What stalled, without its chance: "3 of 48 cold starts from empty of 6 s stalled"; "" where nothing did."""
    if t is None:
        return ""
    told = [stall_counts(t)] if t.stalls else []
    count = _handfuls if t.by_hand else _running_counts
    told += [count(t.running)] if t.running and t.running.stalls else []
    return join_words(told)


def stall_counts(t: ChamberTrace) -> str:
    """How many starts stalled: "none of 48 cold starts from empty of 6 s stalled"."""
    count = "none of" if t.stalls == 0 else "all" if t.stalls == t.runs else f"{t.stalls} of"
    chokes = f" ({'all' if t.chokes == t.stalls else t.chokes} of these with a full chamber)" if t.chokes else ""
    return f"{count} {_starts(t)} stalled{chokes}"


def _starts(t: ChamberTrace) -> str:
    return f"{t.runs} cold starts from empty of {duration(t.duration_s)}"


def start_chance(t: ChamberTrace) -> str:
    """The interval of the chance of a start: "up to 7.4 % of starts may", "at least 63 % of starts do"."""
    low, high = (digits(100 * share, 2) for share in (t.stall_low, t.stall_high))
    if t.stalls == 0:
        return f"up to {high} % of starts may"
    return f"at least {low} % of starts do" if t.stalls == t.runs else f"{low} to {high} % of starts do"


def _running_counts(r: Running) -> str:
    count = "no stall" if r.stalls == 0 else "1 stall" if r.stalls == 1 else f"{r.stalls} stalls"
    return f"{count} in {_watched(r)}"


def _handfuls(r: Running) -> str:
    """Of histories that each begin with a handful: "2 of 8 handfuls into the running mill stalled it"."""
    many = "none of" if r.stalls == 0 else "all" if r.stalls == r.runs else f"{r.stalls} of"
    return f"{many} {r.runs} handfuls into the running mill stalled it"


def _watched(r: Running) -> str:
    return f"{duration(r.watched_s)} of running at {STEADY}"


def running_rate(r: Running) -> str:
    """The interval of stalls per hour: "up to 92 an hour may come", "4 to 120 an hour"."""
    low, high = (digits(3600 * rate, 2) for rate in (r.low_1_s, r.high_1_s))
    return f"up to {high} an hour may come" if r.stalls == 0 else f"{low} to {high} an hour"


def begun(t: ChamberTrace) -> str:
    """What the history that is shown began with."""
    return f"from {t.shown_from}"


def figure_words(t: ChamberTrace) -> list[str]:
    """The chances as sentences, and which history the figure shows."""
    if t.runs <= 0:
        return ["No runs were followed, so nothing is known about stalls."]
    shown = ["Shown: one that stalled."] if stalls_seen(t) else []
    return [*(f"{capital(told)}." for told in stall_chances(t)), *shown]


def to_json(p: Prediction) -> dict | None:
    """Counts and intervals, per start and per second of running, in SI; null where nothing was followed."""
    t = p.trace
    if t is None or t.runs <= 0 or not p.runs:
        return None
    running = None
    if t.running is not None:
        r = t.running
        running = {"histories": r.runs, "stalls": r.stalls, "watched_s": r.watched_s, "pieces": r.arrived,
                   "stalls_1_s": {"low": r.low_1_s, "high": r.high_1_s}}  # fmt: skip
    starts = {"starts": t.runs, "stalls": t.stalls, "full_chamber": t.chokes, "seconds": t.duration_s,
              "pieces": t.arrived, "chance": {"low": t.stall_low, "high": t.stall_high}}  # fmt: skip
    return {"fed_kg_s": t.fed_kg_s, "pieces_1_s": t.pieces_1_s, "too_few_pieces": t.too_few, "from_empty": starts,
            "running": running, "no_running": no_hours(p, t) or None}  # fmt: skip
