"""Dry ice and liquid nitrogen: what they are, and how much of either chills a kilogram of feed. Nothing compiled.

The one rule for it, whoever asks: the pre-build review and the heat answers.
"""

from dataclasses import dataclass
from math import inf

from ...laws import cooling

PRACTICE = 1.2  # more coolant than the ideal, for leaks and cold parts (from memory)
ROUNDED_K = 0.5  # K, by which a temperature told in whole degrees may be off: -196 °C is liquid nitrogen
ROOM_GAS_K = 293.15  # at which gas volumes are told


@dataclass(frozen=True)
class Coolant:
    """latent heat [J/kg] at T_K; specific heat of the gas [J/(kg K)]; molar mass [kg/mol]; where they are from."""

    name: str
    latent: float
    T_K: float
    gas_cp: float
    molar_mass: float
    basis: str
    source: str


DRY_ICE = Coolant(
    "dry ice", 571e3, 194.65, 0.8e3, 44.01e-3, "from memory",
    "571 kJ/kg at -78.5 °C, gas 0.8 kJ/(kg K)",
)  # fmt: skip
NITROGEN = Coolant(
    "liquid nitrogen", 199e3, 77.36, 1.04e3, 28.0134e-3, "published",
    "199 kJ/kg at 77 K, gas 1.04 kJ/(kg K): Span et al. 2000, J. Phys. Chem. Ref. Data 29:1361",
)  # fmt: skip


def coolant_per_kg(
    c: Coolant, feed_J_kg: float, T_cold: float, mill_J_kg: float = 0.0, T_gas: float | None = None
) -> float:
    """Kilograms of coolant per kilogram of feed that takes feed_J_kg out of it down to T_cold [K], and mill_J_kg.

    T_gas: where the gas leaves [K]; as cold as the feed if not given, which asks for the most. inf: too cold for it.
    """
    if T_cold < c.T_K - ROUNDED_K:
        return inf
    gas = max(c.T_K, T_cold if T_gas is None else T_gas)
    return cooling.coolant_ratio(max(0.0, feed_J_kg), mill_J_kg, c.latent, c.gas_cp, c.T_K, gas, PRACTICE)


def gas_per_kg(c: Coolant) -> float:
    """Cubic metres of gas, at 20 °C, from a kilogram of coolant."""
    return cooling.gas_volume(1.0, c.molar_mass, ROOM_GAS_K)
