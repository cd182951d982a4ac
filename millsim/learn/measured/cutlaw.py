"""What the mill's law of cutting asks for on a bench, and what a saw takes beyond it."""

from math import sqrt

from ...base.quantities.params import ParamSet
from ...laws import cutting

# Energy of a saw's dust over that of the bare cut: sawing takes 0.35 to 0.61 kWh/kg (common practice, no source), the
# law some 0.1 of acrylic at chips of 0.1 mm; a planing tool takes hardly more than the cut. Assumed from there.
SAW = (1.0, 6.0)
SAW_MIDDLE = sqrt(SAW[0] * SAW[1])


def cut_J_kg(material: ParamSet, edge: str, h: float, C: float | None = None, G_c: float | None = None) -> float:
    """Energy per mass [J/kg] of chips of size h [m] by an edge of a mill; C, G_c: in place of the card's."""
    from ...mill.cards import load_model

    model = load_model()
    C = material.value("cut_factor") if C is None else C
    G_c = material.value("fracture_energy") if G_c is None else G_c
    sigma, E, rho = (material.value(n) for n in ("yield_stress", "modulus", "density"))
    zone = cutting.process_zone(model.value("crack_ratio"), E, G_c, sigma)
    G = cutting.separation_energy(
        G_c, model.value("plough_factor"), sigma, min(model.value(f"edge_radius_{edge}"), zone)
    )
    return float(cutting.chip_energy(h, C * sigma, zone, G) / (h**3 * rho))
