"""Openings: how much of a sieve is open, and how wide a feed opening must be. Plane geometry, nothing compiled.

Compiled laws (jit) use the constant.
"""

from math import pi, sqrt

ARCHING = 1.4  # pieces arch over an opening up to this many pieces wide; source: see `drive.opening_flow`


def open_area_staggered(hole: float, pitch: float) -> float:
    """Open area share of round holes in 60-degree stagger: pi / (2 sqrt 3) (w/p)^2 (derived)."""
    return pi / (2.0 * sqrt(3.0)) * (hole / pitch) ** 2


def open_area_mesh(hole: float, wire: float) -> float:
    """Open area share of a square mesh: (w / (w + d))^2 (derived)."""
    return (hole / (hole + wire)) ** 2


def mesh_thread(hole: float, open_share: float) -> float:
    """Thread [m] of a square mesh of this open area share: w (1 / sqrt f - 1), the inverse (derived)."""
    return hole * (1.0 / sqrt(open_share) - 1.0)
