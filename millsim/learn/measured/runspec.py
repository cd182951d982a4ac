"""The run sheet as a table: every section and key with its range, default and meaning. Units as in a config."""

from ...base.reading.key import choice, flag, n, q, text, texts
from ...base.reading.tables import Spec

AS_IT_TOOK = "as much as it took"  # the feeder gave what the mill accepted
AT_ONCE = "all at once"  # a batch
LIMITS = "shaft power|jam|chamber|outlet temperature|sieve|feed opening"
_OPEN = ("how", AS_IT_TOOK)

SECTIONS = {
    "run": (
        text("name", '"offcuts, first run"', "a name for reports"),
        text("config", '"demo.toml"', "the mill: a config beside the run sheet"),
        text("date", '"2025-03-08"', "when it was", default=None),
        texts("overrides", '["sieve.hole=1 mm"]', "one-off changes of the config, as for --set", default=()),
        text("note", '"bag leaked a little"', "anything worth remembering", default=None),
    ),
    "masses": (
        q("fed", "0.1 g", "100000 g", '"300 g"', "fed in `time.milling`"),
        q("product", "0.1 g", "100000 g", '"262 g"', "powder that came through the sieve and was caught"),
        q("holdup", "0 g", "100000 g", '"21 g"', "found in the chamber afterwards", default=None),
        q("bag", "0 g", "100000 g", '"9 g"', "dust in the filter bag", default=None),
        q("sweepings", "0 g", "100000 g", '"2 g"', "swept up around the mill", default=None),
        q("scale", "0.001 g", "100 g", '"0.1 g"', "step of the scale", default="1 g"),
    ),
    "time": (
        q("milling", "1 s", "604800 s", '"12 min"', "how long feed was given"),
        q("warm", "0 s", "604800 s", '"20 min"', "running time before, empty or fed", default=None),
        q("clock", "0.1 s", "600 s", '"2 s"', "how well the milling time is known, plus or minus", default="2 s"),
    ),
    "feeding": (
        choice("how", f"metered|{AS_IT_TOOK}|{AT_ONCE}", "a feeder set the rate, the mill did, or a batch"),
        choice("limit", LIMITS, "what held the feed back", only=_OPEN, default=None, derivable=True),
    ),
    "power": (
        q("idle", "0.1 W", "100000 W", '"190 W"', "of the mill with its rotor, hot, empty; or amperes", default=None),
        q("motor_alone", "0.1 W", "100000 W", '"95 W"', "of the motor without the rotor: its own loss", default=None),
        q("loaded", "0.1 W", "100000 W", '"430 W"', "mean while fed; or energy; or amperes", default=None),
        q("energy", "0.01 Wh", "1000000 Wh", '"86 Wh"', "counted over the milling time", default=None),
        q("amperes", "0.01 A", "500 A", '"2.4 A"', "mean while fed, with volts", default=None),
        q("idle_amperes", "0.01 A", "500 A", '"1.5 A"', "of the hot mill, empty, with volts", default=None),
        q("volts", "5 V", "1000 V", '"230 V"', "at which amperes were measured", default=None),
        choice("phases", "single|three", "of the supply, for amperes", default="single"),
        n("power_factor", 0.05, 1.0, "0.8", "while fed, for amperes", default=None),
        n("idle_power_factor", 0.05, 1.0, "0.3", "empty, for idle_amperes", default=None),
        n("class_percent", 0.1, 20.0, "2", "accuracy of the meter, plus or minus % of reading", default=3.0),
        choice("at", "mains|shaft", "where the power was measured", default="mains"),
    ),
    "speed": (
        q("idle", "50 rpm", "60000 rpm", '"9500 rpm"', "of the empty mill", default=None),
        q("loaded", "50 rpm", "60000 rpm", '"9300 rpm"', "while fed", default=None),
    ),
    "temperature": (
        q("outlet", "-150 °C", "250 °C", '"48 °C"', "of what leaves, at the end; see outlet_of", default=None),
        choice("outlet_of", "air|powder", "what it was measured in", default="air"),
        q("room", "-30 °C", "50 °C", '"21 °C"', "of the air that the mill draws in", default=None),
        q("product", "-150 °C", "250 °C", '"45 °C"', "of the powder, just caught", default=None),
        q("probe", "0.05 K", "20 K", '"2 K"', "accuracy of the thermometer, plus or minus", default="2 K"),
    ),
    "air": (
        q("flow", "0.1 m3/h", "100000 m3/h", '"60 m3/h"', "through the mill while fed", default=None),
        n("uncertainty_percent", 0.5, 100.0, "20", "of the flow, plus or minus", default=20.0),
    ),
    "sieving": (
        texts("product", '"product.csv"', "sieve sheet of the product, or a list of repeats", default=()),
        texts("holdup", '"holdup.csv"', "sieve sheet of the charge left inside, or a list", default=()),
        texts("bag", '"bag.csv"', "sieve sheet of the bag dust, or a list", default=()),
    ),
    "sieving.answers": (  # to what a sheet leaves open, for all sheets; the flags of `millsim sieve`
        choice("aperture", "mm|um|in|m|mesh", "unit of the apertures", default=None),
        choice("reading", "retained|oversize|passing", "what the amounts are", default=None),
        choice("unit", "g|mg|kg|percent|share", "unit of the amounts", default=None),
        choice("pan", "passed|lost", "what became of a pan that was not weighed", default=None),
        choice("decimal", "point|comma", "mark before decimals", default=None),
        choice("method", "sieves|laser", "how the sizes were measured", default=None),
        choice("limit", "lower|upper|middle", "what a column of sizes of laser diffraction holds", default=None),
        flag("sort", False, "put the amounts into the order of the apertures"),
    ),
}  # fmt: skip
ALTERNATIVES = (
    ("power", (("loaded",), ("energy",), ("amperes",)), False),
    ("power", (("idle",), ("idle_amperes",)), False),
)
_INSTEAD = {  # names that no likeness leads home
    "feed": ("fed", "masses"),
    "fed_mass": ("fed", "masses"),
    "current": ("amperes", "power"),
    "voltage": ("volts", "power"),
    "watts": ("loaded", "power"),
    "load": ("loaded", "power"),
    "rpm": ("loaded", "speed"),
    "duration": ("milling", "time"),
    "resolution": ("scale", "masses"),
    "dust": ("bag", "masses"),
}
_ELSEWHERE = {  # names of what is not given here
    "mill": "the mill is described in the config that [run] names",
    "no_load": "is it the empty mill with its rotor (power.idle) or the motor without it (power.motor_alone)?",
    "losses": "losses are not given: they are what is missing in the balance",
}

SPEC = Spec(SECTIONS, (), ALTERNATIVES, lambda name: _ELSEWHERE.get(name, ""), _INSTEAD)
