"""A sieve of cloth: whether it reaches the bars, what heat its threads bear, and that they wear."""

from .facts import MillFacts, say
from .judge import PREDICT, Rule
from .line import ReviewLine

LASTS_K = {  # dry heat that threads bear for long, from memory of tables of filter cloth
    "polyester": 408.15, "polyamide": 373.15, "polypropylene": 363.15, "cotton": 368.15,
}  # fmt: skip
SPOTS_K = 30.0  # by which contact spots are hotter than the powder, at the least (laws/heat.md)
WEARS = (
    "powder thrown at threads cuts them: hold the cloth against the light after every run, and sieve out torn threads"
)

REACH = Rule("sieve and air", "cloth against the bars", "m", "sag against gap and pin", "assumed",
             "a cloth that touches the bars is torn out", close=2.0)  # fmt: skip
WARM = Rule("sieve and air", "heat on the cloth", "K", "powder + 30 K against what threads bear dry for long",
            "from memory", "tables of filter cloth: 90 to 135 °C by the fibre")  # fmt: skip


def lines(f: MillFacts) -> list[ReviewLine]:
    """Both checks of a cloth; none of another sieve."""
    return [reach(f), warm(f)] if f.config.sieve.kind == "cloth" else []


def reach(f: MillFacts) -> ReviewLine:
    """Whether the cloth can be sucked or thrown into the bars."""
    c = f.config
    free = c.stator.gap_m + (c.stator.pin_diameter_m if f.pins else 0.0)
    if c.sieve.sag_m is None:
        return REACH.give("sieve.sag", said=f"it lies {say(free, 'mm')} behind the bar tips")
    said = f"the cloth can move {say(c.sieve.sag_m, 'mm')} towards the bars, which pass {say(free, 'mm')} away"
    if c.sieve.sag_m <= 0.0:
        return REACH.tell("passes", 0.0, f"{said}.", free)
    return REACH.judge(c.sieve.sag_m, free, said, "Stretch it over a coarse mesh or a frame that holds it back")


def warm(f: MillFacts) -> ReviewLine:
    """Whether threads bear the powder's heat; that they wear is said always."""
    fibre = f.config.sieve.thread_of
    if fibre is None:
        return WARM.give("sieve.thread_of", said=WEARS)
    if fibre not in LASTS_K:
        return WARM.note(None, f"{fibre} threads bear what the powder does; {WEARS}.")
    outlet = f.scalar("outlet_temperature_K")
    if outlet is None:
        return WARM.missing(PREDICT)
    hot, bears = outlet + SPOTS_K, LASTS_K[fibre]
    said = f"powder at {say(outlet, 'degC')} has spots at {say(hot, 'degC')} or more, and {fibre} threads bear "
    verdict = "fails" if hot > bears else "passes"
    return WARM.tell(verdict, hot, f"{said}{say(bears, 'degC')}; {WEARS}", bears, margin=bears / hot)
