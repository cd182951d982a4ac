"""Air: the rotor as a fan, what resists the flow, and the power the air takes. Reasons and ranges: air.md."""

from math import pi, sqrt

from ..base.numerics.jit import law

SPECIFIC_HEAT = 1006.0  # J/(kg K), dry air 20-80 C (CoolProp: 1006-1008)
CONDUCTIVITY, PRANDTL = 0.0273, 0.706  # W/(m K) and 1, dry air at 40 C (CoolProp)


@law
def air_density(T):
    """Density of dry air [kg/m3] at 101325 Pa: p / (287.055 T), ideal gas (handbook)."""
    return 101325.0 / (287.055 * T)


@law
def air_viscosity(T):
    """Dynamic viscosity of air [Pa s]: Sutherland, 1.716e-5 (T/273.15)^1.5 (383.55)/(T + 110.4).

    Source: Sutherland 1893; constants handbook.
    """
    return 1.716e-5 * (T / 273.15) ** 1.5 * (273.15 + 110.4) / (T + 110.4)


@law
def fan_pressure(rho_air, swirl, v_tip, v_hub):
    """Shut-off pressure [Pa] of the bars as a fan: rho swirl^2 (v_tip^2 - v_hub^2) / 2.

    Source: derived, dp/dr = rho u^2 / r of air that turns with u = swirl omega r from hub to tip.
    """
    return 0.5 * rho_air * swirl * swirl * (v_tip * v_tip - v_hub * v_hub)


@law
def fan_flow_max(phi, R, H, v_tip):
    """Free flow [m3/s] of the bars as a fan: phi pi D b v.

    Source: definition of the flow coefficient of a fan (Eck, Fans; handbook).
    """
    return phi * pi * 2.0 * R * H * v_tip


@law
def plate_loss(f, t_over_d):
    """Loss coefficient of a perforated plate on approach speed, turbulent; f is the open share.

    Thick-edged holes: (0.5 (1-f)^0.75 + tau (1-f)^1.375 + (1-f)^2 + 0.02 t/d) / f^2 with
    tau = (2.4 - l) 10^-(0.25 + 0.535 l^8 / (0.05 + l^7)), l = t/d (tau from memory); thin sharp edges (l <= 0.015):
    (0.707 (1-f)^0.375 + 1 - f)^2 / f^2. Source: Idelchik, Handbook of Hydraulic Resistance
    (1994 diag. 4-14, 2006 diag. 4-15), as cited in the Modelica standard library, dp_thickEdgedOverall.
    """
    if t_over_d <= 0.015:
        return (0.707 * (1.0 - f) ** 0.375 + 1.0 - f) ** 2 / (f * f)
    l = t_over_d
    l7 = l**7
    tau = (2.4 - l) * 10.0 ** -(0.25 + 0.535 * l * l7 / (0.05 + l7)) if l < 2.4 else 0.0
    return (0.5 * (1.0 - f) ** 0.75 + tau * (1.0 - f) ** 1.375 + (1.0 - f) ** 2 + 0.02 * l) / (f * f)


@law
def air_flow(dp_fan, Q_max, dp_blower, k_square, k_linear):
    """Flow [m3/s] at which fan and blower balance the losses: dp (1 - (Q/Q_max)^2) + blower = k2 Q^2 + k1 Q.

    A quadratic, solved in closed form; no drive, no flow. Source: derived; the fan's parabola through its two ends
    is assumed.
    """
    drive = dp_fan + dp_blower
    if drive <= 0.0:
        return 0.0
    a = k_square + (dp_fan / (Q_max * Q_max) if dp_fan > 0.0 else 0.0)
    return 2.0 * drive / (k_linear + sqrt(k_linear * k_linear + 4.0 * a * drive))


@law
def air_swirl(n_bars, C_d, H, R, r_0, n_pins, C_pin, d_pin, C_f, R_s, flow):
    """Speed of the air over that of the bars, k: where the bars' drag torque is that of wall, pins and through-flow.

    a (1-k)^2 = b k^2 + c k, all over rho omega^2 [m5]: a = N C_d H (R^4 - r_0^4)/8; b = C_pin N_p d_p H R^2 R_s/2 +
    C_f (2 pi H R_s^4 + 0.8 pi R_s^5)/2; c = flow R R_s, flow: air through the mill over omega [m3]. Source: derived,
    balance of angular momentum; drag of pins and wall friction as handbook numbers. Many bars: the power goes to the
    stator's; no stator and no flow: k is 1; many thick pins: k is 0.
    """
    a = n_bars * C_d * H * (R**4 - r_0**4) / 8.0
    b = 0.5 * C_pin * n_pins * d_pin * H * R * R * R_s + 0.5 * C_f * (2.0 * pi * H * R_s**4 + 0.8 * pi * R_s**5)
    c = flow * R * R_s
    return 2.0 * a / (2.0 * a + c + sqrt((2.0 * a + c) ** 2 - 4.0 * (a - b) * a))


@law
def windage_power(n_bars, rho_air, C_d, H, omega, swirl, R, r_0):
    """Power [W] to drag flat bars through swirling air: N rho C_d b omega^3 (1-k)^2 (R^4 - r0^4) / 8.

    Source: derived, drag rho C_d b ((1-k) omega r)^2 / 2 per length summed along the bar; C_d of a flat bar after
    Hoerner, Fluid-Dynamic Drag, 1965 (from memory).
    """
    return n_bars / 8.0 * rho_air * C_d * H * omega**3 * (1.0 - swirl) ** 2 * (R**4 - r_0**4)
