"""The one list of a mill's outputs: key, symbol, words, unit, and how each is written for people.

Terminal, JSON, HTML, PDF, CSV, figures, sweeps, choices and comparisons take names, units and digits from here. Symbols
follow ISO 9276-1 and -2. Keys stand in files: never rename one.
"""

import math
from dataclasses import dataclass, replace

from ..base.quantities.scalar import Scalar
from ..base.quantities.written import Shown, capital, shown_unit

# A measured energy says per kilogram of what: powder that was lost was ground too, only what was caught is in hand.
PER_CAUGHT, PER_FED = "per kg of powder caught", "per kg fed"


@dataclass(frozen=True)
class Output:
    """One output: what it is called where, and in which unit it is held and shown."""

    key: str  # in files and JSON, with its SI unit
    words: str  # for people: a row, an axis, a sentence
    about: str  # one line that says what it is; `long_name` in files
    si: str  # SI unit, "1" for plain numbers and shares
    symbol: str = ""  # where the field has one
    share: bool = False  # a part of one, read in percent
    batch: str = ""  # words where a batch means something else by it

    @property
    def name(self) -> str:
        """Symbol and words: "x50: half by mass is finer"."""
        return f"{self.symbol}: {self.words}" if self.symbol else self.words

    @property
    def short(self) -> str:
        """The symbol, or the words where there is none."""
        return self.symbol or self.words

    @property
    def head(self) -> str:
        """The same at the head of a title: symbols stay as they are."""
        return self.symbol or capital(self.words)

    @property
    def unit(self) -> str:
        """The unit to show it from: "%" for shares, else SI, of which `shown_unit` finds the workshop's unit."""
        return "%" if self.share else self.si


_ALL = (
    Output("x10_m", "10 % by mass is finer", "size that 10 % of the powder by mass is finer than", "m", "x10"),
    Output("x50_m", "half by mass is finer", "median size of the powder by mass", "m", "x50"),
    Output("x90_m", "90 % by mass is finer", "size that 90 % of the powder by mass is finer than", "m", "x90"),
    Output("span", "span (x90 - x10) / x50", "span of the powder, (x90 - x10) / x50", "1"),
    Output("throughput_kg_s", "rate of powder", "powder that leaves the mill per time", "kg/s",
           batch="rate of powder over the whole time"),
    Output("capacity_kg_s", "largest steady feed rate", "largest steady feed rate", "kg/s"),
    Output("holdup_kg", "charge in the chamber", "charge in the chamber", "kg", batch="charge left in the chamber"),
    Output("hits_per_particle", "hits before a particle leaves", "bar and pin hits before a tagged gram leaves", "1"),
    Output("hits_above_threshold_share", "hits hard enough to break", "share of hits above the breakage threshold", "1",
           share=True),
    Output("gross_J_kg", "energy from the socket", "electrical energy per kg of powder, idling included", "J/kg"),
    Output("net_J_kg", "energy above idling", "electrical energy per kg of powder above the idle power", "J/kg"),
    Output("shaft_power_W", "shaft power", "power at the shaft", "W"),
    Output("electrical_power_W", "power from the socket", "power drawn from the mains", "W"),
    Output("idle_power_W", "power from the socket, empty mill",
           "power drawn from the mains by the empty mill, as warm as the loaded one", "W"),
    Output("outlet_temperature_K", "outlet temperature", "temperature at the outlet, the warmer of powder and air", "K",
           batch="highest temperature"),
    Output("air_temperature_K", "temperature of chamber and air", "temperature of chamber and air", "K"),
    Output("powder_temperature_K", "temperature of the powder", "mean temperature of the pieces that leave", "K"),
    Output("air_flow_m3_s", "air through the sieve", "air flow through the sieve", "m3/s"),
    Output("open_sieve_share", "open sieve holes", "share of the sieve holes that is open", "1", share=True),
    Output("speed_rad_s", "rotor speed under load", "rotor speed under load", "rad/s"),
    Output("tip_speed_m_s", "tip speed under load", "effective tip speed under load", "m/s"),
    Output("residence_s", "mean time in the chamber", "mean time in the chamber", "s"),
    Output("jam_index", "jam index (jams at 1)",
           "load on the rotor's energy or the motor's short-term power, 1 jams", "1"),
)  # fmt: skip
OUTPUTS = {o.key: o for o in _ALL}
OF_A_CHOICE = {  # what a target's window of sizes adds; no mill has them by itself
    "yield": Output("yield", "share in the window", "share of the powder by mass in the window", "1", share=True),
    "accepted_kg_s": Output("accepted_kg_s", "powder in the window", "powder in the window per time", "kg/s"),
}
OF_A_CIRCUIT = {  # what a sieve after the mill adds; the mill's own outputs are per kilogram that it accepts
    o.key: o
    for o in (
        Output("fresh_kg_s", "fresh feed", "fresh feed", "kg/s"),
        Output("total_kg_s", "goes through the mill", "fresh and returned feed of the mill", "kg/s"),
        Output("accepted_kg_s", "accepted powder", "powder that passes the sieve", "kg/s"),
        Output("oversize_kg_s", "does not pass the sieve", "returned, or set aside", "kg/s"),
        Output("yield_share", "share that passes, each time", "share that passes the sieve at each pass", "1",
               share=True),
        Output("circulating_load", "returned over fresh feed", "returned over fresh feed", "1", share=True),
    )
}  # fmt: skip


def output_of(key: str) -> Output:
    """The output of that key, of a mill or of a choice."""
    return OUTPUTS.get(key) or OF_A_CHOICE[key]


def scalar(key: str, value: float, **more: float) -> Scalar:
    """An output as a Scalar with its unit and its line. more: se, low, high."""
    return Scalar(float(value), OUTPUTS[key].si, OUTPUTS[key].about, **more)


def shown(key: str, found: Scalar) -> Shown:
    """An output as it reads everywhere: workshop unit, digits by its band or error, shares in percent."""
    known = OUTPUTS.get(key) or OF_A_CHOICE.get(key)
    return Shown(replace(found, unit=known.unit) if known else found)


def figure(scalars: dict[str, Scalar], key: str) -> Shown | None:
    """One of the outputs of an engine as it reads everywhere; None where it is not known."""
    found = scalars.get(key)
    return shown(key, found) if found is not None and math.isfinite(found.value) else None


def in_kilojoules(found: Scalar) -> Shown:
    """An energy per kilogram in the other unit that people use."""
    kilo = {name: getattr(found, name) / 1e3 for name in ("value", "se", "low", "high")}
    return Shown(replace(found, unit="kJ/kg", **kilo))


def row_name(key: str, batch: bool = False) -> str:
    """The words of an output at the head of a row."""
    o = OUTPUTS[key]
    return (batch and o.batch) or o.name


def axis_label(key: str, typical: float) -> str:
    """The words of an output on an axis, with the unit that suits a typical value: "Rate of powder / kg/h"."""
    return labelled(key, shown_unit(typical, output_of(key).unit)[0])


def labelled(key: str, unit: str) -> str:
    """The words of an output on an axis in a unit."""
    o = output_of(key)
    name = o.name if o.symbol else capital(o.name)
    return f"{name} / {unit}" if unit else name
