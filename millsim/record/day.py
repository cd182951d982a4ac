"""What of a forecast no measurement narrows: one mill does not repeat itself from day to day."""

from math import hypot

from ..base.numerics.statistics import NORMAL_80
from ..base.quantities.params import Param


def day_parts(free: bool) -> dict[str, tuple[str, ...]]:
    """The parameters that say what the day changes, by output. free: fed as fast as the mill can grind."""
    rate = ("repeat_rate",) if free else ()
    size, energy = ("repeat_size",), ("repeat_work", *rate)
    return {"x50_m": size, "x90_m": size, "throughput_kg_s": rate, "gross_J_kg": energy}


def from_day_to_day(parameters: tuple[Param, ...], free: bool) -> dict[str, float]:
    """Half the width of the 80 % band that is left when all but the day is known, by output, of the logarithm.

    No measurement narrows a forecast of the next run below that. free: fed as fast as the mill can grind.
    """
    e = {p.name: p.value for p in parameters if p.name.startswith("repeat_")}
    if not e:  # a prediction of an earlier edition
        return {}
    rows = {n: hypot(*(e[part] for part in parts)) for n, parts in day_parts(free).items()}
    return {n: NORMAL_80 * v for n, v in rows.items() if v > 0.0}
