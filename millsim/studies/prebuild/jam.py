"""Does it jam: gap against feed, grip, the torque and energy of a bite, a flooded rotor, the feed rate asked for."""

import math

from ...base.numerics.uncompiled import as_written
from ...base.reading.key import AS_MUCH
from ...laws import cutting, motion, strength
from ...mill.calibrated import LOOSE, TIGHT
from ...record.limits import cannot_run_words
from ...record.prediction import ChamberTrace
from .facts import MillFacts, say
from .judge import PREDICT, Rule
from .line import ReviewLine

HAPPENS = {  # at a feed rate beyond capacity, by what binds first
    "jam": "it jams within seconds", "chamber": "the chamber floods within seconds",
    "shaft power": "the motor is overloaded", "outlet temperature": "it overheats after some minutes",
    "sieve": "the sieve blinds", "feed opening": "the opening does not pass as much", "grinding": "it hardly grinds",
}  # fmt: skip
DRAGGED = "pieces larger than the gap to a smooth wall can wedge between bar and wall, of which no law is known here"
LABOURS = 0.7  # share of its speed below which a rotor labours after a handful (assumed)
FEW_HITS = 1e-3  # share of hits above the threshold below which hits make no powder

GAP = Rule("stator", "gap against feed pieces", "1", "gap / d", "common practice",
           "below 0.3 jams, 0.3 to 1 is sheared, above 1 passes: a proposal, no source")  # fmt: skip
ANGLE = Rule("stator", "nip angle", "rad", "law of cosines in the triangle of the centres; gripped up to 2 atan(mu)",
             "assumed", "roll-crusher geometry; friction of the edge is assumed")  # fmt: skip
TORQUE = Rule("drive", "torque of a caught piece", "N m", "F R against overload P / omega", "assumed",
              "F = tau pi d^2 / 4, tau of the card")  # fmt: skip
BITE = Rule("drive", "one bite against the rotor's energy", "J",
            "the less of (3/8) tau / rho and (x W_min + ln 2 / f_Mat) / d, times the piece; limit 0.3 I omega^2 / 2",
            "assumed", "sheared ball F d / 4, or cracked as by an impact; share of 0.3 assumed")  # fmt: skip
FLOODED = Rule("drive", "every nip full for one turn", "J",
               "bars pins (d - gap) / d times (3/8) tau / rho of a piece; limit 0.3 I omega^2 / 2", "assumed",
               "worst case of hand feeding, of pieces that yield; share of 0.3 assumed")  # fmt: skip
FED = Rule("drive", "jam at the feed asked for", "1",
           "unlucky bar pass / 0.3 of the rotor's energy, or power / overload", "assumed",
           "model, quick prediction")  # fmt: skip
RATE = Rule("drive", "feed rate asked for", "kg/s", "largest steady rate of the model", "assumed",
            "model, quick prediction; a factor of 2 to 5 before calibration")  # fmt: skip
HIT = Rule("drive", "bar hit on a feed piece", "J/kg", "((1 - kappa) v)^2 / 2 against x W_min / d", "assumed",
           "threshold of the card at the feed's temperature", close=2.0, least=True)  # fmt: skip
HITS = Rule("drive", "hits hard enough to break", "1", "share of hits above the threshold", "assumed",
            "model, quick prediction", least=True)  # fmt: skip


def lines(f: MillFacts) -> list[ReviewLine]:
    """All checks of jamming, and whether anything breaks at all."""
    return [
        gap_regime(f), *([nip_angle(f)] if f.nips else []), torque(f),
        *([] if f.swinging else [bite(f), flooded(f)]), fed(f), rate(f), hit(f), hits(f),
    ]  # fmt: skip


def motor_torque(f: MillFacts) -> float:
    """Torque [N m] the motor gives for a moment at its no-load speed."""
    return strength.shaft_torque(f.config.drive.overload * f.config.drive.shaft_rated_W, f.omega)


def gap_regime(f: MillFacts) -> ReviewLine:
    """Whether the feed is caught, sheared or let through."""
    ratio = f.config.stator.gap_m / f.piece

    def said() -> str:
        return f"{say(f.config.stator.gap_m, 'mm')} for pieces of {say(f.piece, 'mm')}{_let_through(f, ratio)}"

    if ratio >= TIGHT or not f.pins or f.swinging:
        return GAP.note(ratio, said)
    return GAP.tell("close", ratio, said, TIGHT, margin=ratio / TIGHT)


def _let_through(f: MillFacts, ratio: float) -> str:
    """What becomes of pieces at a gap that is so many times as wide."""
    if not f.pins:
        wedge = "and those larger than the gap may wedge" if f.dragged else "and pass"
        return f", and a smooth wall: pieces are dragged along it, {wedge}"
    if ratio >= LOOSE:
        pairs = "no two bridge it" if ratio >= 2.0 else "now and then two together bridge it and are sheared"
        return f": a piece by itself passes and is only hit; {pairs}. Nothing jams by shear"
    if ratio >= TIGHT:
        return ": larger pieces are sheared at the pins, with torque spikes"
    if f.swinging:
        return ": no piece gets past a pin uncut; hammers fold back where it is too hard"
    times = f.shear_force * f.config.rotor.radius_m / motor_torque(f)
    return (
        ": no piece gets past a pin uncut. How it jams: the bar presses the piece against the pin; to shear it takes "
        f"{say(times, digits=2)} times the motor's short-term torque, so every cut comes out of the rotor's energy. "
        f"{_opened(f)} Feed finer pieces, slowly and evenly"
    )


def _hit_need(f: MillFacts) -> tuple[float, float]:
    """Energy [J/kg] of a square bar hit, and what breaks the largest piece."""
    return as_written(motion.bar_energy)(f.tip, f.mill["layer_speed_ratio"], 1.0), f.breakage[1] / f.piece


def _too_soft(f: MillFacts) -> bool:
    """Whether bars do not break such a piece: with an open gap little is left that grinds."""
    energy, need = _hit_need(f)
    return energy < need


def _opened(f: MillFacts) -> str:
    """What an open gap does to a mill that jams, and where to see what it costs."""
    if _too_soft(f):
        gap = say(LOOSE * f.piece, "mm")
        said = "Opening the gap is a poor cure: bars hit such pieces too softly to break them, and where they pass " \
               "uncut it gives little or nothing"  # fmt: skip
    else:
        gap = say(f.piece / 3.0, "mm")
        said = "Opening the gap to a third of the pieces or more eases the bites, and changes rate and powder"
    return f'{said} (`millsim predict` with --set stator.gap="{gap}" says what it then makes).'


def _or_else(f: MillFacts) -> str:
    """What helps against bites beside an even feed; an open gap only where it leaves a mill that grinds."""
    return "or take a heavier rotor" if _too_soft(f) else "open the gap, or take a heavier rotor"


def nip_angle(f: MillFacts) -> ReviewLine:
    """Whether the largest piece is gripped between bar and pin or squeezed out."""
    r, grip = 0.5 * f.mill["d_pin"], 2.0 * math.atan(f.mill["bite_friction"])

    def angle() -> float:
        return as_written(cutting.nip_angle)(r, r, f.config.stator.gap_m, f.piece)

    def said() -> str:
        gripped, pushed = "it is gripped and sheared", "it is mostly pushed out and hit, bitten now and then"
        edge = f"a {f.config.rotor.main_edge} edge grips up to {say(grip, 'deg', 2)}"
        return f"bar and pin taken as round as the pins; {edge}: {gripped if angle() <= grip else pushed}"

    return ANGLE.note(angle, said, grip)


def torque(f: MillFacts) -> ReviewLine:
    """Torque that shears a piece against what the motor gives: whether it starts again with a piece in the nip."""
    need, have = f.shear_force * f.config.rotor.radius_m, motor_torque(f)

    def said() -> str:
        shear = f"to shear a {say(f.piece, 'mm')} piece takes {say(f.shear_force)} N at the tips"
        return f"{shear}; the motor gives {say(have / f.config.rotor.radius_m)} N there for a moment"

    def too_little() -> str:
        cuts = "Only the rotor's energy cuts, so it will not start loaded: start empty, feed at full speed"
        pull = "if it jams, pull the plug before you open it"
        return f"{said()}, {say(need / have, digits=2)} times too little. {cuts}; {pull}"

    if f.dragged:
        return TORQUE.missing(DRAGGED, said, need)
    if not f.nips:
        return TORQUE.note(need, lambda: f"{said()}, but no piece by itself is caught here", have)
    if need <= have:
        return TORQUE.tell("passes", need, said, have, "It can start with a piece in the nip")
    return TORQUE.note(need, too_little, have)


def bite(f: MillFacts) -> ReviewLine:
    """Energy of one bite against the share of the rotor's energy that may go, and the dip in speed."""
    limit = f.mill["jam_share"] * f.energy
    if f.dragged:
        return BITE.missing(DRAGGED)
    if not f.nips:
        return BITE.note(0.0, "No piece by itself is caught, so no bite takes much from the rotor.", limit)

    def said() -> str:
        dip = f"each bite slows it by {say(100.0 * f.bite / (2.0 * f.energy), digits=2)} %"
        taken = "; the bars are taken as plain steel, give rotor.mass" if f.config.rotor.mass_kg is None else ""
        takes = f"a {say(f.piece, 'mm')} piece takes {say(f.bite, 'J', 2)} of {say(f.energy, 'J', 2)} in the rotor"
        return f"{takes}; {dip}{taken}"

    return BITE.judge(f.bite, limit, said, "A heavier or faster rotor, or finer feed")


def flooded(f: MillFacts) -> ReviewLine:
    """Every meeting of bar and pin in one turn takes a piece that stands out of the gap by its share."""
    limit = f.mill["jam_share"] * f.energy
    if f.dragged:
        return FLOODED.missing(DRAGGED)
    if not f.nips:
        return FLOODED.note(0.0, "No piece by itself is caught: a flooded chamber labours, it does not wedge.", limit)
    bars = int(f.mill["turn_bars"])
    meetings = bars * f.pins
    caught = meetings * as_written(cutting.overlap_share)(f.coarse, f.config.stator.gap_m, f.mill["run_out"])

    def said() -> str:
        meet = f"{bars} bars meet {f.pins} pins {meetings} times a turn"
        bites = f"some {say(caught, digits=2)} bites of {say(f.coarse_work, 'J', 2)}"
        crack = f"; pieces that crack at once take {say(f.bite, 'J', 2)}" if f.bite < 0.5 * f.coarse_work else ""
        return f"{meet}; {bites}, if pieces of {say(f.coarse, 'mm')} are each sheared right across{crack}"

    def even() -> str:
        return f"A scoop tipped in at once stops this rotor: feed slowly and evenly, {_or_else(f)}"

    return FLOODED.judge(caught * f.coarse_work, limit, said, "Feed evenly, never by the scoop", even)


def fed(f: MillFacts) -> ReviewLine:
    """The jam index of the prediction at the rate asked for."""
    if f.prediction is None:
        return FED.missing(PREDICT)
    load = f.prediction.jam_load
    if not math.isfinite(load):
        return FED.missing("the prediction has no jam index")
    asked = f.config.feed
    if asked.handful_kg is not None and f.prediction.trace is not None:
        return by_hand(f, asked.handful_kg, f.prediction.trace)

    def said() -> str:
        so = AS_MUCH if asked.rate_kg_s is None else say(asked.rate_kg_s, "kg/h")
        return f"{'this batch' if asked.batch_mass_kg else f'fed {so}'}; it stalls at 1"

    def stalls() -> str:
        why, other = "bites take more out of the rotor than it has", _or_else(f)
        if not (f.prediction and f.prediction.by_bites):
            rotor = "a heavier rotor or " if f.nips else ""
            why, other = "the motor labours at its overload", f"or take {rotor}a stronger motor"
        return f"Within seconds {why}, it slows down and stalls. Feed more slowly and evenly, {other}"

    return FED.judge(load, 1.0, said, "Feed evenly; a surge stalls it", stalls)


def by_hand(f: MillFacts, handful_kg: float, trace: ChamberTrace) -> ReviewLine:
    """Whether handfuls stall the mill, by histories that follow the pieces."""
    hand = f"handfuls of {say(handful_kg, 'g')}"
    if not trace.stalls:
        slowest = float(trace.speed_rad_s.min()) / f.omega if len(trace.speed_rad_s) else 1.0
        said = f"None of {trace.runs} starts with {hand} stalled; the rotor goes down to {100.0 * slowest:.0f} % of its"
        if slowest >= LABOURS:
            return FED.tell("passes", 0.0, f"{said} speed.")
        labours = "it labours, mills little and overloads the motor. Feed less at a time"
        return FED.tell("close", 0.0, f"{said} speed: {labours}.")
    rotor = "a heavier rotor or " if f.nips else ""
    cure = f"Feed less at a time and more often, or by a metering screw, or take {rotor}a stronger motor"
    said = f"{trace.stalls} of {trace.runs} starts with {hand} stalled within {say(trace.duration_s, 's', 2)}. {cure}"
    return FED.tell("fails", trace.stalls / trace.runs, said, margin=0.0)


def rate(f: MillFacts) -> ReviewLine:
    """The feed asked for against the most the mill takes, and what binds."""
    p, asked = f.prediction, f.config.feed
    if p is None:
        return RATE.missing(PREDICT, value=asked.rate_kg_s)
    if not (p.runs or p.too_little):
        return RATE.tell("fails", asked.rate_kg_s, f"{cannot_run_words(p.binding, 'The mill')}.", margin=0.0)
    if asked.batch_mass_kg:
        made = f.rate
        if p.status == "over capacity":
            happens = HAPPENS.get(p.binding, f"{p.binding} is over its limit")
            return RATE.tell("fails", made, f"With this batch {happens}. Fill in less.")
        return RATE.tell("passes", made, f"The batch stays within all limits; the nearest is {p.binding}.")
    most = f.scalar("capacity_kg_s") or 0.0
    if asked.rate_kg_s is not None and p.status == "ok" and not most > 0.0:  # a point of a sweep looks for no more
        return RATE.tell(
            "passes", asked.rate_kg_s, f"At that rate it stays within all limits, {p.binding} the nearest."
        )

    def said() -> str:
        return f"it takes {say(most, 'kg/h', 2)} at most"

    if asked.rate_kg_s is None:
        return RATE.note(most, lambda: f"{said()}; then {p.binding} is at its limit")
    if p.status == "over capacity":
        happens = HAPPENS.get(p.binding, f"{p.binding} is over its limit")
        return RATE.tell(
            "fails", asked.rate_kg_s, lambda: f"{said()}; at the rate asked for {happens}", most, "Feed less"
        )
    return RATE.judge(asked.rate_kg_s, most, said, "Little is left: the prediction is good to a factor of 2 to 5")


def hit(f: MillFacts) -> ReviewLine:
    """A square bar hit on the largest piece against its threshold."""
    W, need = _hit_need(f)

    def said() -> str:
        speed = math.sqrt(2.0 * need) / (1.0 - f.mill["layer_speed_ratio"])
        piece = f"a {say(f.piece, 'mm')} piece needs {say(need, digits=2)} J/kg to break"
        return f"{piece}, a tip speed of {say(speed, 'm/s', 2)}"

    if W < need:
        other = "edges and nips must do the work" if f.nips else "chips come off at most, where a hit pays for one"
        soft = f"The bars hit too softly, so {other}; the harder throw against the wall may break some"
        return HIT.tell("close", W, said, need, soft)
    return HIT.judge(W, need, said, "Finer pieces need harder hits: the product stays coarse")


def hits(f: MillFacts) -> ReviewLine:
    """Share of all hits that can break what they hit, by the prediction."""
    share = f.scalar("hits_above_threshold_share")
    if f.prediction is None:
        return HITS.missing(PREDICT)
    if share is None or f.rate is None:
        return HITS.missing("nothing is milled")
    if share >= FEW_HITS:
        return HITS.tell("passes", share, lambda: _hard_enough(f, share), FEW_HITS)
    said = "Few hits are above the threshold: at this speed next to none breaks anything"
    if f.nips:
        said += ". Only edges and nips make powder, coarse and slowly: sharper edges, a tighter gap or cold help most."
        return HITS.tell("close", share, said, FEW_HITS)
    said += (
        ", and nothing is sheared. Next to no powder comes out, and the chamber floods: close the gap below the size "
        "of the pieces, or raise the tip speed as far as this review passes it."
    )
    return HITS.tell("fails", share, said, FEW_HITS)


def _hard_enough(f: MillFacts, share: float) -> str:
    """How many hits are above the threshold, and down to which size."""
    finest = say(f.prediction.finest, "mm", 2) if f.prediction else ""
    above = f"{say(100.0 * share, digits=2)} % of hits are above the threshold of what they hit; fewer break it"
    return f"{above}; the hardest can break pieces down to {finest}"
