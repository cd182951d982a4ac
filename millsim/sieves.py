"""Nominal sieve apertures as tables: ISO 3310-1 / ISO 565 (R20/3, R20, R40/3) and ASTM E11 mesh numbers.

Standard apertures are rounded by convention (R20/3 steps run from 1.389 to 1.440 around 10^(3/20)), so they
are never computed from a ratio. Values in mm as printed in the standards (from memory; checked against the
tables of `fluids`).
"""

ISO_R20_3_MM = (
    125, 90, 63, 45, 31.5, 22.4, 16, 11.2, 8, 5.6, 4, 2.8, 2, 1.4, 1, 0.71, 0.5, 0.355, 0.25, 0.18, 0.125,
    0.09, 0.063, 0.045,
)  # fmt: skip
ISO_R20_MM = (
    125, 112, 100, 90, 80, 71, 63, 56, 50, 45, 40, 35.5, 31.5, 28, 25, 22.4, 20, 18, 16, 14, 12.5, 11.2, 10,
    9, 8, 7.1, 6.3, 5.6, 5, 4.5, 4, 3.55, 3.15, 2.8, 2.5, 2.24, 2, 1.8, 1.6, 1.4, 1.25, 1.12, 1, 0.9, 0.8,
    0.71, 0.63, 0.56, 0.5, 0.45, 0.4, 0.355, 0.315, 0.28, 0.25, 0.224, 0.2, 0.18, 0.16, 0.14, 0.125, 0.112,
    0.1, 0.09, 0.08, 0.071, 0.063, 0.056, 0.05, 0.045, 0.04, 0.036,
)  # fmt: skip
ISO_R40_3_MM = (
    125, 106, 90, 75, 63, 53, 45, 37.5, 31.5, 26.5, 22.4, 19, 16, 13.2, 11.2, 9.5, 8, 6.7, 5.6, 4.75, 4, 3.35,
    2.8, 2.36, 2, 1.7, 1.4, 1.18, 1, 0.85, 0.71, 0.6, 0.5, 0.425, 0.355, 0.3, 0.25, 0.212, 0.18, 0.15, 0.125,
    0.106, 0.09, 0.075, 0.063, 0.053, 0.045, 0.038,
)  # fmt: skip
# ASTM E11 "No." designations (sieves coarser than No. 3 1/2 are named by inches, not by mesh).
ASTM_E11_MESH_MM = {
    "3 1/2": 5.6, "4": 4.75, "5": 4.0, "6": 3.35, "7": 2.8, "8": 2.36, "10": 2.0, "12": 1.7, "14": 1.4,
    "16": 1.18, "18": 1.0, "20": 0.85, "25": 0.71, "30": 0.6, "35": 0.5, "40": 0.425, "45": 0.355, "50": 0.3,
    "60": 0.25, "70": 0.212, "80": 0.18, "100": 0.15, "120": 0.125, "140": 0.106, "170": 0.09, "200": 0.075,
    "230": 0.063, "270": 0.053, "325": 0.045, "400": 0.038, "450": 0.032, "500": 0.025, "635": 0.02,
}  # fmt: skip


def mesh_to_m(mesh: str | int) -> float:
    """Return the nominal aperture, m, of an ASTM E11 mesh number ("35", "No. 35", "#35", 35, "3 1/2").

    KeyError with the neighbouring numbers where ASTM E11 has no such sieve: apertures are not interpolated.
    """
    text = str(mesh).strip().lower().removeprefix("mesh").removesuffix("mesh").strip()
    text = " ".join(text.removeprefix("no").lstrip(".#").split()).replace("3.5", "3 1/2")
    if text in ASTM_E11_MESH_MM:
        return ASTM_E11_MESH_MM[text] / 1000
    raise KeyError(f"no ASTM E11 sieve has mesh number {text or mesh!r}{_neighbours(text)}")


def _neighbours(text: str) -> str:
    """The standard mesh numbers on either side of a number, in words."""
    if not text.isdecimal():
        return ""
    numbers = [int(n) for n in ASTM_E11_MESH_MM if n.isdecimal()]
    below, above = [n for n in numbers if n < int(text)], [n for n in numbers if n > int(text)]
    near = [str(n) for n in (*below[-1:], *above[:1])]
    return f"; nearest: {' and '.join(near)}"


def next_coarser_m(aperture_m: float) -> float:
    """Return the next R20/3 aperture above one, m (twice the aperture beyond the table)."""
    for coarser in reversed(ISO_R20_3_MM):
        if coarser / 1000 > aperture_m * (1 + 1e-9):
            return coarser / 1000
    return 2.0 * aperture_m
