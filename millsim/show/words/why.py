"""Why a mill does what it does: hits and their energy, what makes the powder, where the watts go, what holds it back.

Sentences a builder would use, from a Prediction; the numbers in them come from whyfacts.py.
"""

import math

import numpy as np

from ...base.numerics import psd
from ...base.quantities.written import digits, duration, join_words, number, percent, sentence, shown_unit
from ...laws import motion
from ...record.asked import batch_of, config_value, feed_size
from ...record.limits import AT_LIMIT, HARDLY_GRINDS
from ...record.outputs import figure
from ...record.prediction import Prediction
from ...studies.why import (
    CUT,
    RUB,
    SHEAR,
    chamber_temperature,
    coarse_feed,
    feed_temperature,
    hits,
    main_maker,
    makers,
    mechanism_shares,
    parameter,
    scalar,
    threshold_J_kg,
    watts,
)
from ..parts import Paragraph
from . import limits
from .changes import what_would_help
from .short import Short, labelled, said
from .stalls import stalls_seen
from .tables import ledger_watts

FEW = 0.05  # a share of hits above the threshold below which few hits are
MUCH_OF_RATED = 0.2  # share of the rated shaft power below which windage and bearings are small all the same
RARELY = 0.25  # share of bar passes that reach a piece below which the gap is called wide
_MECHANISMS = {  # mechanism: what it does, after "is"
    "impact": "broken by hits",
    "edge": "cut off as chips by edges",
    "nip": "cut in the nip between bar and wall",
    "pair": "cut between bar, wall and another piece across the gap",
    "dust": "rubbed off as dust",
}
Reason = tuple[str, str] | None  # what it is called, and the sentence


def paragraphs(p: Prediction) -> list[Paragraph]:
    """What there is to tell of "why", most telling first; a mill that cannot run has only its reason."""
    told = [] if not p.runs else [
        Paragraph(_hit_words(p), "Hits"), Paragraph(_energy_words(p), "Energy per hit"),
        Paragraph(_maker_words(p), "What makes the powder"), Paragraph(_first_break(p), "First break"),
    ]  # fmt: skip
    return [s for s in (*told, Paragraph(_where_watts_go(p), "Where each watt goes"), _verdict(p)) if s.text]


def sentences(p: Prediction) -> list[str]:
    """The same for a terminal, each with its label."""
    return [s.line for s in paragraphs(p)]


BOUND = "A prediction, not a measurement; the numbers rest on what `millsim report` lists."


def why_short(p: Prediction) -> Short:
    """What makes the powder, where the watts go and what holds it back first; the rest as far as there is room."""
    ranks = {"What holds": 0, "What makes": 1, "Where each watt": 2, "Hits": 3, "Energy per hit": 4, "First break": 5}
    told = [labelled(s.label, s.text, ranks.get(s.label, 0)) if s.label else said(s.text) for s in paragraphs(p)]
    return Short((*told, said(BOUND, 6)), "the rest of it", told_whole=True)


# --- hits ------------------------------------------------------------------------------------------------


def _hit_words(p: Prediction) -> str:
    h, stay = hits(p), scalar(p, "residence_s")
    if not math.isfinite(h.per_particle):
        return ""
    text = f"a particle takes about {_told(p, 'hits_per_particle')} hits before it leaves"
    if math.isfinite(stay) and stay > 0 and not batch_of(p):
        text += f", in a stay of {duration(stay)}"
    if not math.isfinite(h.above):
        return f"{text}."
    if h.above < limits.NO_BREAKING_HITS:
        return f"{text}. Next to none of them is above the threshold, that is, hard enough to break the piece."
    few = f"{'only ' if h.above < FEW else ''}{_told(p, 'hits_above_threshold_share')}"
    return f"{text}; {few} of them are above the threshold, that is, hard enough to break the piece."


def _energy_words(p: Prediction) -> str:
    """The mean energy of a hit against the threshold at feed size and at product size, and the size floor."""
    h, feed, x50 = hits(p), feed_size(p, 0.5), scalar(p, "x50_m")
    if not (math.isfinite(h.mean_J_kg) and feed > 0):
        return ""
    text = (
        f"the tips run at {_told(p, 'tip_speed_m_s')} and the layer of charge follows at "
        f"{_speed(h.tip_m_s - h.bar_m_s)}, so a bar meets a piece at about {_speed(h.bar_m_s)}"
    )
    text += f" and throws it at the pins at up to {_speed(h.throw_m_s)}" if h.throw_m_s > 0 else ""
    text += f". Averaged over all angles a hit carries {_joules(h.mean_J_kg)} per kilogram of piece"
    needs = [(feed, "as it is fed", _size(feed), feed_temperature(p))]
    needs += [(x50, "of the powder's x50", _told(p, "x50_m"), chamber_temperature(p))]
    told = [
        f"a piece {words} ({size}, {number(T - 273.15, 0)} °C) needs {_joules(need)}, and the mean hit brings "
        f"{_times(h.mean_J_kg / need)} that"
        for x, words, size, T in needs
        if x > 0 and math.isfinite(T) and math.isfinite(need := threshold_J_kg(p, x, T))
    ]
    text += f". To break at all {'; '.join(told)}" if told else ""
    return f"{text}.{_floor_words(p, feed)}"


def _floor_words(p: Prediction, feed_m: float) -> str:
    floor = p.size_floor_m
    if not (math.isfinite(floor) and floor > 0):
        return ""
    if floor > feed_m:
        return f" No hit of this rotor breaks a piece smaller than {_size(floor)} (the size floor): the feed is finer."
    return (
        f" No hit breaks a piece smaller than {_size(floor)} (the size floor); what is finer are chips and the fine "
        "fragments of larger pieces."
    )


# --- what makes the powder -------------------------------------------------------------------------------


def _maker_words(p: Prediction) -> str:
    """Which mechanism makes the powder, by mass; and what the Monte Carlo engine counted, if it ran too."""
    shares, of_all = makers(p)
    if not shares:
        return ""
    when = "" if not batch_of(p) else ", over the whole batch," if of_all else ", at the end of the batch,"
    ranked = sorted(shares.items(), key=lambda item: -item[1])
    parts = [f"{_percent(share)} is {_MECHANISMS[name]}" for name, share in ranked if share >= 5e-4]
    text = f"of what becomes finer than the sieve hole ({_size(p.hole_m)}){when} "
    text += join_words(parts) if len(parts) > 1 else parts[0].replace("100 % is", "all is")
    counted = mechanism_shares(p, p.other) if p.other is not None and p.other.tallies and not batch_of(p) else {}
    if counted:
        told = join_words([f"{_percent(counted.get(name, 0.0))}" for name, share in ranked if share >= 5e-4])
        text += f" (the Monte Carlo engine counts {told})"
    return f"{text}. By mass, from the charge and its rates size by size."


def _first_break(p: Prediction) -> str:
    """What happens to a piece as it is fed: time to a hit that breaks it, to a bite, to losing much as chips."""
    t, feed = p.main.table, feed_size(p, 0.5)
    if not feed > 0:
        return ""
    i = int(np.clip(np.searchsorted(t.edges_m, feed, side="right") - 1, 0, t.x_m.size - 1))
    hit, broken, bitten = (float(r[i]) for r in (t.strike_1_s, t.selection_1_s, t.nip_1_s))
    if not (math.isfinite(hit) and hit > 0):
        return ""
    text = f"a piece as it is fed ({_size(feed)}) is hit {digits(hit, 2)} times a second; "
    chance = broken / hit  # of the bar hit and the pin hit that may follow
    text += f"one hit in {digits(1 / chance, 2)} breaks it" if chance > 1e-4 else "next to no hit breaks it"
    gap = config_value(p, "stator", "gap", "m")
    if bitten > 1e-4 and gap >= feed:
        text += f", and the nip bites it, propped by another piece across the gap of {_size(gap)}, {_often(bitten)}"
    elif bitten > 1e-4:
        text += f", and the nip bites it {_often(bitten)}"
    elif gap >= feed:
        text += f", and the nip cannot bite it alone: it fits through the gap of {_size(gap)}"
    return f"{text}."


# --- watts -----------------------------------------------------------------------------------------------


def _where_watts_go(p: Prediction) -> str:
    found = watts(p)
    total = sum(found.values())
    if not total > 0:
        return ""
    parts = [f"{_watt(v)} ({percent(v / total)}) {words}" for words, v in found.items() if v >= 5e-4 * total]
    text = f"of {_watt(total)} at the shaft {join_words(parts)}"
    drawn = scalar(p, "electrical_power_W")
    if drawn > total * (1 + 1e-9):
        text += f". The socket gives {_told(p, 'electrical_power_W')}: the motor keeps {_watt(drawn - total)} as its "
        text += "own heat"
    used = sum(found.get(words, 0.0) for words in (CUT, SHEAR))
    if not p.runs:
        return f"{text}."
    share = "next to nothing" if used < 1e-3 * total else _percent(used / total)
    return f"{text}. {sentence(f'{share} does the cutting; in the end nearly all of it is heat')}"


# --- what holds it back ----------------------------------------------------------------------------------


def _verdict(p: Prediction) -> Paragraph:
    """Why the mill fails, or what holds it back: every reason that applies, named, then told."""
    reasons = (
        _hardly(p),
        _too_slow(p),
        _gap_wide(p),
        _jams(p),
        _eaten_by_air(p),
        _too_hot(p),
        _limited(p),
        _held_by(p),
    )
    found = [r for r in reasons if r is not None]
    if not found:
        return Paragraph("")
    fails = p.status != "ok" or (limits.hits_too_weak(p) and not limits.nip_works(p))
    names, told = [name for name, _ in found], " ".join(sentence(words) for _, words in found)
    helps = what_would_help(p) if p.changes else ""
    return Paragraph(f"{join_words(names)}. {told} {helps}".rstrip(), "Why it fails" if fails else "What holds it back")


def _hardly(p: Prediction) -> Reason:
    """That neither hits nor edges nor bites make powder, and what would change it."""
    if p.status != HARDLY_GRINDS:
        return None
    told = [limits.hardly_words(p).rstrip("."), *p.grinds_with]
    return "work that makes no powder", ". ".join(sentence(s).rstrip(".") for s in told)


def _limited(p: Prediction) -> Reason:
    """The limit that binds, from the same record as everywhere; heat and jams have reasons of their own below."""
    limit = next((x for x in p.limits if x.name == p.binding), None)
    told = ("outlet temperature", "jam", *((limit.name,) if limit and p.status == HARDLY_GRINDS else ()))
    if limit is None or limit.name in told or limits.headroom(limit) > AT_LIMIT:
        return None
    return f"the {limit.name}", f"{limits.named(p, limit)} limits what it takes"


def _too_slow(p: Prediction) -> Reason:
    """That hits are too weak, and the tip speed from which the hardest ones would break a piece as it is fed."""
    h, feed = hits(p), feed_size(p, 0.5)
    need = threshold_J_kg(p, feed, feed_temperature(p)) if feed > 0 else math.nan
    if not (h.above < limits.NO_BREAKING_HITS or h.mean_J_kg < need):
        return None
    few = "next to no" if h.above < limits.NO_BREAKING_HITS else "few" if h.above < FEW else "not all"
    text = f"at {_speed(h.tip_m_s)} {few} hits are above the threshold"
    hardest = max(h.bar_m_s, h.throw_m_s) ** 2 / 2
    if need > hardest > 0:
        tip = h.tip_m_s * math.sqrt(need / hardest)
        text += f"; only from about {_speed(tip)} at the tip on the hardest hits break a piece of {_size(feed)}"
    if main_maker(p) == "pair":
        text += "; the mill lives on pieces that bridge the gap, which takes a deep charge and torque for every bite"
    elif main_maker(p) == "nip":
        text += "; the mill lives on the nip, which needs a gap narrower than the piece and torque for every bite"
    elif main_maker(p) == "edge":
        text += "; powder comes as chips, which cost more than broken pieces and ask for a sharp edge"
    return "a rotor too slow for this material", text


def _gap_wide(p: Prediction) -> Reason:
    """That the gap is too wide: pieces pass between bar and wall uncut, or bars hardly reach them."""
    gap, feed, depth = config_value(p, "stator", "gap", "m"), coarse_feed(p), parameter(p, "scatter_depth")
    if not (gap > 0 and feed > 0):
        return None
    told = []
    if limits.hits_too_weak(p) and gap >= feed:
        told.append(
            f"pieces up to {_size(feed)} fit through the gap of {_size(gap)}, so a piece alone is not cut there either"
        )
    reached = float(motion.engagement(gap, 0.0, depth, feed_size(p, 0.5))) if depth > 0 else 1.0
    if reached < RARELY:
        told.append(f"across {_size(gap)} a bar reaches a piece in only about {_percent(reached)} of its passes")
    return ("a wide gap", "; ".join(told)) if told else None


def _jams(p: Prediction) -> Reason:
    """That bites or the charge stop the rotor, and the starts followed piece by piece that did."""
    gap, feed = config_value(p, "stator", "gap", "m"), coarse_feed(p)
    jam = next((x for x in p.limits if x.name == "jam"), None)
    seen = stalls_seen(p.trace)
    if not (seen or (jam is not None and limits.headroom(jam) <= AT_LIMIT)):
        return None
    counted = f"; followed piece by piece, {seen}" if seen else ""
    if not gap < feed:
        return "a charge that stops the rotor", f"it takes more than the motor can give for a moment{counted}"
    text = f"the gap of {_size(gap)} makes bars cut pieces of up to {_size(feed)}, and the bites take more than rotor "
    text += f"and motor can give{counted}"
    return "a gap narrow for this feed", text


def _eaten_by_air(p: Prediction) -> Reason:
    """That the motor spends itself on air and bearings."""
    into = p.main.ledger_in_W
    air, bearings = (into[k].value if k in into else 0.0 for k in ("windage", "bearings"))
    total = sum(s.value for s in into.values())
    rated = next((x.capacity for x in p.limits if x.name == "shaft power"), total)
    if not total > 0 or air + bearings <= limits.MUCH_AIR * total or air + bearings < MUCH_OF_RATED * rated:
        return None
    spent = f"{_percent((air + bearings) / total)} of the shaft power goes into stirring air ({_watt(air)})"
    text = f"{spent} and into bearings ({_watt(bearings)}) before a piece is hit; stirring grows with the cube of the "
    text += "speed"
    return "a motor that spends itself on stirring the air", text


def _too_hot(p: Prediction) -> Reason:
    """That heat binds, and how much of it the empty mill makes."""
    limit = next((x for x in p.limits if x.name == "outlet temperature"), None)
    if limit is None or limits.headroom(limit) > AT_LIMIT:
        return None
    idle, drawn = scalar(p, "idle_power_W"), scalar(p, "electrical_power_W")
    hot, most, _ = limits.limit_figures(p, limit)
    text = f"the outlet reaches {hot} °C, the limit is {most} °C"
    if drawn > 0 and idle > 0:
        text += f"; {_percent(min(1.0, idle / drawn))} of the power is what the empty mill draws already"
    return "heat", text


def _held_by(p: Prediction) -> Reason:
    """Whether the charge waits for the sieve or waits to be broken, and what that costs in watts."""
    t, shape = p.main.table, parameter(p, "shape")
    if not np.isfinite(t.holdup_q3).all() or not p.runs:
        return None
    fine = float(psd.q_at(t.edges_m, t.holdup_q3, p.hole_m / shape if shape > 0 else p.hole_m))
    if fine <= 0.5:
        coarse = _percent(1 - fine)
        return "pieces that wait to be broken", f"{coarse} of the charge inside is still too coarse for the holes"
    text = f"{_percent(fine)} of the charge inside would fit through a hole and waits to find one"
    pegged, found = 1.0 - scalar(p, "open_sieve_share"), watts(p)
    text += f"; {_percent(pegged)} of the holes have a piece stuck in them" if pegged > 0.05 else ""
    rub, total = found.get(RUB, 0.0), sum(found.values())
    if p.binding == "shaft power" and rub > 0.3 * total:
        text += f"; going round meanwhile costs most of the {_watt(rub)} that rub along the wall"
    return "powder that waits for the sieve", text


# --- small things ----------------------------------------------------------------------------------------


def _size(size_m: float) -> str:
    unit, factor, _ = shown_unit(size_m, "m")
    return f"{digits(size_m * factor, 2)} {unit}"


def _speed(v_m_s: float) -> str:
    return f"{digits(v_m_s, 2)} m/s"


def _joules(energy_J_kg: float) -> str:
    return f"{digits(energy_J_kg, 2)} J" if energy_J_kg < 1e4 else f"{digits(energy_J_kg / 1e3, 2)} kJ"


def _times(ratio: float) -> str:
    return f"{digits(ratio, 2)} times" if ratio >= 0.01 else "next to nothing of"


def _often(rate_1_s: float) -> str:
    return f"{digits(rate_1_s, 2)} times a second" if rate_1_s >= 1 else f"once in {duration(1 / rate_1_s)}"


def _percent(share: float) -> str:
    """A share in percent to two digits; all and nothing said as such only where they are."""
    if share > 0.9995:
        return "100 %"
    return f"{number(share * 100, 0 if share >= 0.0995 else 1)} %" if share < 0.995 else f"{number(share * 100, 1)} %"


def _watt(power_W: float) -> str:
    return f"{ledger_watts(power_W, power_W)} W"


def _told(p: Prediction, key: str) -> str:
    """An output with its unit, as it reads everywhere."""
    found = figure(p.main.scalars, key)
    return found.text if found else "unknown"
