"""What is assumed to change from one run of a mill to the next, where no repeats tell: from the card of the model."""

from dataclasses import dataclass, replace
from math import hypot

from ...base.quantities.params import Param
from ...record.day import day_parts
from .runbalance import Figure, RunBalance
from .runsheet import MeasuredRun
from .runspec import AS_IT_TOOK

KELVIN = ("outlet_temperature_K",)


@dataclass(frozen=True)
class OfTheMill:
    """A figure of one run as one of its mill: with what changes from run to run in its standard error."""

    name: str  # of `record.outputs`
    figure: Figure
    assumed: float  # relative, of what changes
    basis: tuple[Param, ...]


def assumed(name: str, run: MeasuredRun, outlet_K: float | None = None) -> tuple[Param, ...]:
    """The parameters of what changes a figure from run to run, as shares of it; of a temperature in kelvin.

    Empty for the rate of a mill whose feeder sets it. outlet_K: the temperature itself, for the rise above the room.
    """
    if name in KELVIN:
        room = run.room_K if run.room_K is not None else run.config.air.room_K
        p, warmer = run.config.model["repeat_rise"], max(1.0, (outlet_K or room) - room)
        return (replace(p, value=p.value * warmer, low=p.low * warmer, high=p.high * warmer, unit="K"),)
    parts = day_parts(run.feeding == AS_IT_TOOK)
    name = "x50_m" if name == "x10_m" else name
    return tuple(run.config.model[n] for n in parts.get(name, parts["gross_J_kg"]))


def of_the_mill(run: MeasuredRun, b: RunBalance) -> tuple[OfTheMill, ...]:
    """Rate and energy of one run as the mill's own."""
    found = []
    for name, figure in (("throughput_kg_s", b.product_rate), ("gross_J_kg", b.gross_per_product)):
        basis = assumed(name, run)
        if figure is not None and not figure.bound and basis:
            by = hypot(*(p.value for p in basis))
            u = hypot(figure.u, by * figure.value)
            found.append(OfTheMill(name, replace(figure, u=u), by, basis))
    return tuple(found)
