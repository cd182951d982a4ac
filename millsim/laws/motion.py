"""How often a piece is hit, and how hard: bars, pins and the circulating layer. Reasons and ranges: motion.md."""

from math import exp, pi

from ..base.numerics.jit import law

DRAG_POWER = 0.687  # of the Reynolds number in `drag_coefficient`


@law
def bar_pass_rate(n_bars, omega, kappa):
    """Bars passing a piece per second [1/s] when the layer turns at kappa times the tip speed (derived)."""
    return n_bars * omega / (2.0 * pi) * (1.0 - kappa)


@law
def layer_depth(M, bulk_density, R, H):
    """Thickness [m] of the charge M [kg] spread over the stator wall at loose bulk density (derived)."""
    return M / (bulk_density * 2.0 * pi * R * H)


@law
def engagement(gap, depth, scatter, x):
    """Share of passes in which a piece reaches into the bar's path: exp(-g / (scatter + layer + x)).

    A wider gap engages fewer pieces, a thicker layer more. Source: assumed, pieces scattered
    exponentially off the wall; 0.1 to 0.3 is what it should give in a usual mill.
    """
    return exp(-gap / (scatter + depth + x))


@law
def exposure(depth, scatter):
    """Share of the charge within reach of bars and sieve: 1 / (1 + layer depth / scatter depth).

    Source: assumed, all of a thin layer and one scatter depth of a thick one.
    """
    return 1.0 / (1.0 + depth / scatter)


@law
def drag_coefficient(Re):
    """Sphere drag: 24/Re (1 + 0.15 Re^0.687) below Re = 1000, 0.44 above.

    Source: Schiller & Naumann 1933, Z. VDI 77:318 (from memory).
    """
    if Re >= 1000.0:
        return 0.44
    return 24.0 / Re * (1.0 + 0.15 * Re**DRAG_POWER)


@law
def relaxation_time(x, rho, v, rho_air, mu_air):
    """Time [s] in which air drag takes up a slip of v [m/s]: 4 rho x / (3 rho_a C_d v), derived."""
    Re = rho_air * v * x / mu_air
    return 4.0 * rho * x / (3.0 * rho_air * drag_coefficient(Re) * v)


@law
def impact_efficiency(tau, v, L):
    """Share of pieces that do not follow the air round an obstacle with a face of width L: (Stk / (Stk + 1/4))^2.

    Stk = tau v / L. Source: form of the fits to impaction on cylinders and spheres, Landahl & Herrmann 1949, J. Colloid
    Sci. 4:103 (from memory); 1/4 from memory.
    """
    stk = tau * v / L
    return (stk / (stk + 0.25)) ** 2


@law
def pin_share(n_pins, d_pin, x, R):
    """Probability that a piece thrown from a bar meets a pin: covered share of the circumference (derived)."""
    return min(1.0, n_pins * (d_pin + x) / (2.0 * pi * R))


@law
def restitution(e_5, v, n):
    """Coefficient of restitution at speed v [m/s]: e_5 (v/5)^-n within 0.1-0.95; e_5 is the value at 5 m/s.

    Source: plastic impact, Johnson 1985, Contact Mechanics (from memory): n is 1/4 in the fully plastic limit; polymers
    stay nearly elastic for longer, so their cards have less.
    """
    return min(0.95, max(0.1, e_5 * (v / 5.0) ** -n))


@law
def land_factor(c_t, n_bars, t, R):
    """Factor on bar passes for hits by the land of a bar t [m] thick: 1 + c_t N t / (2 pi R) (assumed: small)."""
    return 1.0 + c_t * n_bars * t / (2.0 * pi * R)


@law
def ploughing_power(M, pass_rate, gap, depth, kappa, v):
    """Power [W] of bars that drive through a layer deeper than the gap: M f (1 - g/d) (1 - kappa) v^2.

    Each pass brings the share of the layer in the bars' way from layer to tip speed. Source: derived, an upper end.
    """
    if depth <= gap:
        return 0.0
    return M * pass_rate * (1.0 - gap / depth) * (1.0 - kappa) * v * v


@law
def bar_energy(v, kappa, c):
    """Specific normal energy W [J/kg] of a bar hit: ((1 - kappa) v)^2 c / 2, c = cos^2 of the obliquity (derived)."""
    return 0.5 * ((1.0 - kappa) * v) ** 2 * c


@law
def bar_work(v, kappa, e, c):
    """Work [J/kg] the bar does in one hit: momentum (1+e)(1-kappa) v c per kg, times v (derived)."""
    return (1.0 + e) * (1.0 - kappa) * v * v * c


@law
def thrown_energy(v, kappa, e, c):
    """Kinetic energy [J/kg] after the hit: layer motion plus work less the loss (1 - e^2) W.

    For c = 1 this is the textbook throw ((1 + e (1 - kappa)) v)^2 / 2. Source: derived, so that the
    energy of a strike closes.
    """
    return 0.5 * (kappa * v) ** 2 + bar_work(v, kappa, e, c) - (1.0 - e * e) * bar_energy(v, kappa, c)


@law
def path_survival(mu_wall, path, R):
    """Share of kinetic energy left after sliding a path along the wall: exp(-2 mu s / R).

    Source: derived, friction of the centrifugal force, du/dt = -mu u^2 / R.
    """
    return exp(-2.0 * mu_wall * path / R)
