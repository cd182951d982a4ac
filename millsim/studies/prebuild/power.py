"""The motor: steady load against its rating, sag of the speed, and what phase control costs."""

import math

from ...base.quantities.params import Param
from ...base.reading.key import AS_MUCH
from ...mill.problem import speed_loss
from .facts import MillFacts, say
from .judge import PREDICT, Rule
from .line import ReviewLine

STEADY = 0.65  # of the rating for continuous work, 60 to 70 % (common practice)
DERATED = (0.3, 0.5)  # of the rating that a phase-controlled motor keeps up (from memory: its own fan slows down too)
AT_TOP = 0.98  # of the dial's highest speed, from which a motor is not slowed
SAG = 0.1  # of the no-load speed at rated power, above which it is worth telling (assumed)

DUTY = Rule("drive", "steady load of the motor", "W", "shaft power / rated shaft power; good practice up to 0.65",
            "common practice", "60 to 70 % of the continuous rating, no source", close=1.0 / STEADY)  # fmt: skip
SLOWER = Rule("drive", "speed lost at rated power", "1", "(n_0 - n_rated) / n_0", "config", "motor curve of the config")
PHASE = Rule("drive", "phase control", "W", "0.3 to 0.5 of rated power", "from memory",
             "the motor's own fan cools less at low speed")  # fmt: skip


def lines(f: MillFacts) -> list[ReviewLine]:
    """All checks of the motor."""
    return [duty(f), sag(f), phase(f)]


def duty(f: MillFacts) -> ReviewLine:
    """What the motor gives all the time against what it may give all the time."""
    rated, given = f.config.drive.shaft_rated_W, f.load

    def at() -> str:
        return f"rated {say(rated, 'W')} at the shaft"

    if f.prediction is None or given is None:
        early = f.prediction is not None and f.prediction.too_little
        return DUTY.missing("the batch ends before it tells" if early else PREDICT, at)

    def said() -> str:
        if f.config.feed.batch_mass_kg:
            return f"{at()}; this is the mean over the batch"
        return at() if f.config.feed.rate_kg_s is not None else f"{at()}; fed {AS_MUCH}, until a limit is reached"

    def less() -> str:
        return f"{_for_hours(f)}: {cure}"

    cure = "feed less, or take a larger motor" if f.runs else "take a larger motor"
    over = f"It gets hot and trips: {cure}"
    margin = rated / given if given > 0.0 else math.inf
    return DUTY.judge(given, rated, said, less, over, margin=1.0 if 1.0 - 1e-4 < margin < 1.0 else margin)


def slowed(f: MillFacts) -> bool | None:
    """Whether phase control slows the motor; None where it is not told."""
    d = f.config.drive
    if d.phase_control and d.dial_rad_s and f.omega >= AT_TOP * d.dial_rad_s[-1]:
        return False
    return d.phase_control


def _for_hours(f: MillFacts) -> str:
    """What the motor may give for hours on end: the least of good practice and of what phase control leaves it."""
    rated, by_triac = f.config.drive.shaft_rated_W, slowed(f)
    if by_triac:
        kept = f"{say(DERATED[0] * rated, 'W', 2)} to {say(DERATED[1] * rated, 'W', 2)}"
        return f"for hours on end keep it within {kept}, for a triac slows it (see phase control; at full speed " \
               f"{say(STEADY * rated, 'W')})"  # fmt: skip
    more = "" if by_triac is False else ", less where a triac slows it (see phase control)"
    return f"for hours on end keep it near {say(STEADY * rated, 'W')}{more}"


def sag(f: MillFacts) -> ReviewLine:
    """Speed lost between no load and rated power."""
    d = f.config.drive
    if bounds := speed_loss(f.config):
        return _bounded(f, f.config.model[bounds[0]])
    if not d.curve_power_W or d.curve_power_W[-1] <= 0.0:
        return SLOWER.give(
            "drive.speed_under_load",
            said="5 % is taken; an unregulated router loses 30 % and more, "
            "a regulated one holds its speed, then gives way",
        )
    slow = _at(d.curve_power_W, d.curve_speed_rad_s, d.shaft_rated_W)
    share = 1.0 - slow / f.omega

    def said() -> str:
        tip, left = slow * f.config.rotor.radius_m, say(100.0 * (slow / f.omega) ** 2, digits=2)
        turns = f"at {say(d.shaft_rated_W, 'W')} it turns {say(slow, 'rpm')}, {say(tip, 'm/s')} at the tips"
        return f"{turns}; a hit then has {left} % of its energy"

    if share <= SAG:
        return SLOWER.tell("passes", share, said, SAG)
    return SLOWER.tell("close", share, said, SAG, "A stiffer or stronger motor would hold the speed")


def _bounded(f: MillFacts, loss: Param) -> ReviewLine:
    """The speed under load of a hand tool, as far as it is bounded."""
    rpm = [say((1.0 - x) * f.omega, "rpm") for x in (loss.high, loss.low)]
    hits = [say(100.0 * (1.0 - x) ** 2, digits=2) for x in (loss.high, loss.low)]
    said = f"at {say(f.config.drive.shaft_rated_W, 'W')} it turns {rpm[0]} to {rpm[1]}, not measured; a hit then has " \
           f"{hits[0]} to {hits[1]} % of its energy, and bands hold it"  # fmt: skip
    return SLOWER.give("drive.speed_under_load", said=said, value=loss.value)


def _at(powers: tuple[float, ...], speeds: tuple[float, ...], P: float) -> float:
    """Speed at a power on the motor curve; its last slope goes on."""
    points = list(zip(powers, speeds, strict=True))
    for (P1, w1), (P2, w2) in zip(points, points[1:], strict=False):
        if P <= P2 or (P2, w2) == points[-1]:
            return max(0.0, w1 + (w2 - w1) * (P - P1) / (P2 - P1))
    return points[-1][1]


def phase(f: MillFacts) -> ReviewLine:
    """A motor slowed by phase control against what it keeps up then."""
    rated, given = f.config.drive.shaft_rated_W, f.load

    def keeps_up() -> str:
        low, high = (say(s * rated, "W", 2) for s in DERATED)
        return f"slowed by a triac, this motor keeps up {low} to {high}"

    if f.config.drive.phase_control is None:
        return PHASE.give("drive.phase_control", said=lambda: f"{keeps_up()} only")
    if f.config.drive.phase_control is False:
        return PHASE.note(None, "Config: no dimmer-type speed control, so the motor cools itself as it is meant to.")
    if not slowed(f):
        return PHASE.note(
            None, "The dial stands at its top, by the config, so the motor cools itself as it is meant to."
        )
    if given is None:
        return PHASE.missing(PREDICT, lambda: f"{keeps_up()} only")

    def said() -> str:
        return f"{keeps_up()}; it is loaded with {say(given, 'W')}"

    less = "Feed less, run in turns with pauses, or" if f.runs else "Take a stronger one, or"
    if given <= DERATED[0] * rated:
        return PHASE.tell("passes", given, said, DERATED[1] * rated)
    verdict = "close" if given <= DERATED[1] * rated else "fails"
    return PHASE.tell(verdict, given, said, DERATED[1] * rated, f"{less} gear down a motor at full speed")
