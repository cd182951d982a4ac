"""What a day is taken to be where a config does not say, and what is assumed of filter, sieve and people."""

from dataclasses import dataclass, fields
from math import inf

from ...mill.config.mill import Config
from ...mill.config.sections import Day

BAG_FILL = 0.85  # of a bag's room that is used (assumed: it must still close)
TOGETHER = 0.6  # of its time: what is due by more than this is done at a stop that is made for something else (assumed)
HALF_COOL = 0.5  # of the heat it bears, to which a motor that is rated for a time cools before it goes on (assumed)


@dataclass(frozen=True)
class Range:
    """Something assumed: plausible value, range, and why."""

    value: float
    low: float
    high: float
    why: str

    def at(self, u: float) -> float:
        """The value at a quantile u of a triangle in logarithms: its ends are rare."""
        split = 0.5
        if u < split:
            return self.low * (self.value / self.low) ** ((2.0 * u) ** 0.5)
        return self.high * (self.value / self.high) ** ((2.0 * (1.0 - u)) ** 0.5)


VOIDS = Range(
    0.65, 0.5, 0.8,
    "void share of a dust cake 0.65 (0.5 to 0.8): assumed, loose as it falls; packed fines have 0.5, fluff 0.8",
)  # fmt: skip
CARRIED = Range(
    2.0, 1.0, 4.0,
    "the air carries pieces to the cloth up to twice the size that settles in it (1 to 4 times): assumed, a bag is no "
    "still pond",
)  # fmt: skip
LEFT = Range(0.2, 0.1, 0.4, "a cleaning leaves 20 % of the cake in the cloth (10 to 40 %): assumed, shaken, not washed")
LOST_1_S = Range(
    0.02 / 3600.0, 0.005 / 3600.0, 0.08 / 3600.0,
    "2 % of the sieve's holes are lost per hour (0.5 to 8 %) until they are brushed: assumed; watch the rate fall",
)  # fmt: skip
ASSUMED = (VOIDS, CARRIED, LEFT, LOST_1_S)

USUAL: dict[str, tuple[float, str]] = {  # by field of `Day`: SI, and in words
    "hours_s": (8 * 3600.0, "a day of 8 h"),
    "start_s": (300.0, "5 min empty at each start"),
    "stop_s": (180.0, "3 min empty before each stop"),
    "pause_s": (1800.0, "a pause of 30 min"),
    "pause_after_s": (4 * 3600.0, "one after every 4 h"),
    "hopper_kg": (2.0, "a hopper of 2 kg"),
    "bag_m3": (0.02, "a bag of 20 l"),
    "bag_change_s": (300.0, "5 min to change it"),
    "filter_cleaning_s": (300.0, "5 min to clean the filter"),
    "sieve_cleaning_s": (600.0, "10 min to brush the sieve"),
}


@dataclass(frozen=True)
class Setting:
    """A day as it is planned: SI; filter_every_s, sieve_every_s: milling between cleanings (inf: never, NaN: to be
    found); dust_share: NaN, by the sizes; usual: in words, what the config does not say."""

    hours_s: float
    start_s: float
    stop_s: float
    pause_s: float
    pause_after_s: float
    hopper_kg: float
    bag_m3: float
    bag_change_s: float
    filter_every_s: float
    filter_cleaning_s: float
    sieve_every_s: float
    sieve_cleaning_s: float
    dust_share: float
    usual: tuple[str, ...]


def setting(config: Config) -> Setting:
    """The day of a config, with usual values where it says nothing."""
    said = config.day
    values: dict = {}
    for f in fields(Day):
        own = getattr(said, f.name)
        values[f.name] = own if own is not None else USUAL.get(f.name, (float("nan"), ""))[0]
    usual = tuple(words for name, (_, words) in USUAL.items() if getattr(said, name) is None)
    if config.air.filter_area_m2 is None:
        values["filter_every_s"] = inf
    if not values["pause_s"] > 0.0:
        values["pause_after_s"] = inf
    return Setting(**values, usual=usual)
