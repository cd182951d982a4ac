"""Kick, Bond and Rittinger as a cross-check in words: what one known size reduction says of another."""

from dataclasses import dataclass

from ...base.quantities.written import digits, table, wrap
from ...laws.sizes import bond_energy, size_constant, size_energy, size_reached
from .json import jsonable, picked

EXPONENTS = {"rittinger": 2.0, "bond": 1.5, "kick": 1.0}  # of dE = -C dx / x^n
_MEANT = {
    "rittinger": "fine grinding: new surface counts",
    "bond": "between the two; of sizes that 80 % pass",
    "kick": "coarse crushing: each halving costs the same",
}
KWH = 3.6e6  # J


@dataclass(frozen=True)
class Answer:
    """What one law says: energy per mass [J/kg] of the asked reduction, or the size [m] reached by an energy."""

    law: str
    energy_J_kg: float
    size_m: float | None = None


Pair = tuple[float, float]  # m, coarse and fine


def by_pair(laws: list[str], known: Pair, energy_J_kg: float, start: float, end: float) -> list[Answer]:
    """Energies from size `start` to `end` [m], where the reduction `known` costs energy_J_kg."""
    constants = {law: size_constant(energy_J_kg, *known, EXPONENTS[law]) for law in laws}
    return [Answer(law, size_energy(start, end, c, EXPONENTS[law])) for law, c in constants.items()]


def reached(laws: list[str], known: Pair, energy_J_kg: float, start: float, spent: float) -> list[Answer]:
    """Sizes that `spent` J/kg reach from `start` [m]."""
    constants = {law: size_constant(energy_J_kg, *known, EXPONENTS[law]) for law in laws}
    return [Answer(law, spent, size_reached(spent, start, c, EXPONENTS[law])) for law, c in constants.items()]


def by_index(work_index_J_kg: float, start: float, end: float) -> list[Answer]:
    """Bond's energy from a work index."""
    return [Answer("bond", bond_energy(start, end, work_index_J_kg))]


def energy_text(answers: list[Answer], basis: str, question: str, rate_kg_s: float | None) -> str:
    """The cross-check as a report. basis, question: sentences on what was known and what was asked."""
    rows = []
    for a in answers:
        size = "" if a.size_m is None else digits(a.size_m * 1e3, 4)
        power = "" if rate_kg_s is None else digits(a.energy_J_kg * rate_kg_s, 4)
        paid = digits(a.energy_J_kg / 1e3, 4), digits(a.energy_J_kg / KWH, 4)
        rows.append((a.law.capitalize(), *paid, size, power, _MEANT[a.law]))
    lines = [*wrap(basis), *wrap(question), ""]
    lines += table(("law", "kJ/kg", "kWh/kg", "size / mm", "power / W", "meant for"), rows)
    caution = (
        "A cross-check for the same material in the same kind of machine. These laws know no rotor, no sieve and no "
        "size distribution: where they differ much, none of them is a prediction."
    )
    return "\n".join([*lines, "", *wrap(caution)]) + "\n"


def energy_json(answers: list[Answer], rate_kg_s: float | None) -> dict:
    """The cross-check as JSON."""
    laws = {
        a.law: picked(a, "energy_J_kg size_m")
        | {"energy_kWh_kg": a.energy_J_kg / KWH, "power_W": None if rate_kg_s is None else a.energy_J_kg * rate_kg_s}
        for a in answers
    }
    return jsonable({"status": "ok", "laws": laws})
