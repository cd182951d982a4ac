"""Energy-size laws for cross-checks: Kick, Rittinger, Bond and the general differential law behind them.

All follow from dE = -C dx / x^n: n = 1 Kick, n = 3/2 Bond, n = 2 Rittinger (W. H. Walker, W. K. Lewis,
W. H. McAdams, E. R. Gilliland, Principles of Chemical Engineering, 1937; from memory). They compare energies
of grinding in the same machine; they predict no size distribution. Bond's sizes are 80 % passing, not means.
"""

import math

BOND_REFERENCE_M = 100e-6  # Bond's work index is the energy from very coarse to 80 % below 100 um


def size_energy(x_from: float, x_to: float, constant: float, exponent: float) -> float:
    """Return C times the integral of x^-n from x_to to x_from: the energy per kg to go from x_from to x_to (derived).

    constant: C, energy per kg times size^(n-1); exponent: n; sizes in the unit that C uses.
    """
    if exponent == 1.0:
        return constant * math.log(x_from / x_to)
    k = 1.0 - exponent
    return constant * (x_from**k - x_to**k) / k


def size_constant(energy: float, x_from: float, x_to: float, exponent: float) -> float:
    """Return C of `size_energy` from one known reduction (derived)."""
    return energy / size_energy(x_from, x_to, 1.0, exponent)


def bond_energy(x80_from_m: float, x80_to_m: float, work_index: float) -> float:
    """Bond 1952, Trans. AIME 193:484 (from memory): Wi (sqrt(100 um / x_to) - sqrt(100 um / x_from)).

    work_index: Wi, in the unit of energy per mass that is wanted.

    x80_from_m, x80_to_m: 80 % passing sizes of feed and product, m; an infinite feed size is allowed.
    """
    return work_index * (math.sqrt(BOND_REFERENCE_M / x80_to_m) - math.sqrt(BOND_REFERENCE_M / x80_from_m))


def size_reached(energy: float, x_from: float, constant: float, exponent: float) -> float:
    """Return the size that the energy per kg reaches from x_from (derived, the inverse of `size_energy`)."""
    if exponent == 1.0:
        return x_from * math.exp(-energy / constant)
    k = 1.0 - exponent
    remainder = x_from**k - k * energy / constant
    return remainder ** (1.0 / k) if remainder > 0 else 0.0
