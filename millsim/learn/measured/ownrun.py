"""A measured run in four figures, to stand beside what is possible: its sizes, its rate, its energy from the socket."""

from dataclasses import dataclass
from math import isfinite

from ...base.numerics import psd
from .madepowder import mean_curve
from .runbalance import close
from .runsheet import MeasuredRun


@dataclass(frozen=True)
class OwnRun:
    """sizes: "x50" and "x90" [m], as far as they were sieved; rate of powder [kg/s]; energy from the socket [J/kg]."""

    name: str
    sizes: dict[str, float]
    rate_kg_s: float
    energy_J_kg: float

    def at(self, watts: float) -> float:
        """Powder [kg/s] from other watts of the socket, in proportion."""
        return watts / self.energy_J_kg


def own_run(run: MeasuredRun) -> OwnRun | None:
    """A run's figures; None where its watts were not read. Watts at the shaft count by the motor of its config."""
    balance = close(run)
    if balance.gross_per_product is None:
        return None
    energy = balance.gross_per_product.value
    if run.meter_at == "shaft":
        energy /= run.config.drive.efficiency
    return OwnRun(run.name, _sizes(run), balance.product_rate.value, energy)


def _sizes(run: MeasuredRun) -> dict[str, float]:
    if not run.product_sheets:
        return {}
    x, q = mean_curve(run.product_sheets)
    found = {name: float(psd.x_at(x, q, share)) for name, share in (("x50", 0.5), ("x90", 0.9))}
    return {name: size for name, size in found.items() if isfinite(size)}
