"""In which words and order a builder is asked for a measured run.

Units, ranges, choices, defaults and what may be left out are those of `runspec`; here stands what it does not know.
"""

from collections.abc import Callable, Mapping
from typing import Any, NamedTuple

from .runspec import ALTERNATIVES, AS_IT_TOOK

Values = Mapping[str, Any]  # SI values of the answers so far, by key
SIEVING = "sieving.product"  # answered by several lines


class RunQuestion(NamedTuple):
    """What is asked for a key, and whether it is asked at all by the answers so far."""

    ask: str
    when: Callable[[Values], bool] = lambda known: True


def _has(*keys: str) -> Callable[[Values], bool]:
    return lambda known: any(key in known for key in keys)


QUESTIONS: dict[str, RunQuestion] = {
    "run.name": RunQuestion("What do you call this run?"),
    "run.date": RunQuestion("When was it?"),
    "masses.fed": RunQuestion("How much did you feed?"),
    "time.milling": RunQuestion("How long did you feed it? Say the unit: 20 min."),
    "feeding.how": RunQuestion("What set the feed rate: a feeder (metered), the mill itself, or was it one batch?"),
    "feeding.limit": RunQuestion(
        "What held the feed back? Leave it out if you could not tell.",
        lambda known: known.get("feeding.how") == AS_IT_TOOK,
    ),
    "masses.product": RunQuestion("What does the powder weigh that came through the sieve?"),
    "masses.holdup": RunQuestion("What did you brush out of the chamber afterwards?"),
    "masses.bag": RunQuestion("How much dust was in the filter or bag?"),
    "masses.sweepings": RunQuestion("What did you sweep up around the mill?"),
    "masses.scale": RunQuestion("In which steps does the scale show?"),
    "power.loaded": RunQuestion(
        "What did it draw while it was fed, on average? Watts; or 86 Wh counted over that time; or 2.4 A."
    ),
    "power.idle": RunQuestion("What does it draw empty and hot, with its rotor? Watts, or amperes."),
    "power.volts": RunQuestion("At how many volts are these amperes?", _has("power.amperes", "power.idle_amperes")),
    "power.power_factor": RunQuestion(
        "What was the power factor (cos phi) while it was fed? Without it the watts are only an upper bound.",
        _has("power.amperes"),
    ),
    "power.idle_power_factor": RunQuestion("And the power factor when empty?", _has("power.idle_amperes")),
    "power.class_percent": RunQuestion(
        "How exact is the meter? Plus or minus per cent of what it shows.",
        _has("power.loaded", "power.energy", "power.amperes", "power.idle", "power.idle_amperes"),
    ),
    "speed.idle": RunQuestion("How fast does it turn when empty?"),
    "speed.loaded": RunQuestion("And while it was fed?"),
    "temperature.room": RunQuestion("How warm was the air that it drew in?"),
    "temperature.outlet": RunQuestion("How warm was what left it, at the end of the run?"),
    "temperature.outlet_of": RunQuestion("Was that measured in the air or in the powder?", _has("temperature.outlet")),
    "air.flow": RunQuestion("How much air went through it, if you measured that? Time how fast a sack fills."),
    SIEVING: RunQuestion(
        "What stayed on each sieve? Opening and grams (`0.5 mm 3.48`), a line each or `;` between, then `pan 3.48`, "
        "`charge 50` if you weighed what you put on; an empty line ends it. Or the name of a sieve sheet, powder.csv."
    ),
    "run.note": RunQuestion("Anything worth remembering?"),
}

GROUPS: tuple[tuple[str, tuple[str, ...]], ...] = (
    ("The run", ("run.name", "run.date")),
    ("What went in and what came out", (
        "masses.fed", "time.milling", "feeding.how", "feeding.limit", "masses.product", "masses.holdup", "masses.bag",
        "masses.sweepings", "masses.scale",
    )),
    ("Power and speed", (
        "power.loaded", "power.idle", "power.volts", "power.power_factor", "power.idle_power_factor",
        "power.class_percent", "speed.idle", "speed.loaded",
    )),
    ("Heat and air", ("temperature.room", "temperature.outlet", "temperature.outlet_of", "air.flow")),
    ("The sieving", (SIEVING, "run.note")),
)  # fmt: skip

# (question, SI unit of the answer): the key that the answer is for
BY_UNIT = {
    ("power.loaded", "J"): "power.energy",
    ("power.loaded", "A"): "power.amperes",
    ("power.idle", "A"): "power.idle_amperes",
}


def keys_of(question: str) -> tuple[str, ...]:
    """The keys of which one answers a question."""
    section, _, name = question.rpartition(".")
    for where, groups, _ in ALTERNATIVES:
        names = [n for group in groups for n in group]
        if where == section and name in names:
            return tuple(f"{section}.{n}" for n in names)
    return (question,)
