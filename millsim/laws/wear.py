"""Wear: what a weighed loss of the bars says about edges, gap, iron in the powder and balance.

Geometry only: what names no source is derived.
"""

from math import pi, sqrt

CORNER = 1.0 - pi / 4.0  # area between a square corner and the circle that rounds it, over the radius squared


def iron_share(lost: float, milled: float) -> float:
    """Share of worn metal in the powder, if all of it stays there: lost / milled, both kg."""
    return lost / milled


def worn_area(volume: float, edges: float, length: float) -> float:
    """Cross-section [m2] that each of `edges` edges of a length [m] has lost of a volume [m3] (geometry)."""
    return volume / (edges * length)


def rounded_radius(r_fresh: float, area: float) -> float:
    """Radius [m] of an edge of r_fresh that lost an area [m2] of its cross-section: sqrt(r^2 + area / (1 - pi/4)).

    A right corner rounded to r has lost (1 - pi/4) r^2 (geometry). An edge that wears to another shape differs.
    """
    return sqrt(r_fresh * r_fresh + area / CORNER)


def face_recession(volume: float, faces: float, thickness: float, height: float) -> float:
    """Depth [m] lost by `faces` tip faces of thickness times height [m2] that wear evenly (geometry)."""
    return volume / (faces * thickness * height)
