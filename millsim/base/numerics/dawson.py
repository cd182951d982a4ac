"""Dawson's integral D(x) = exp(-x^2) (int_0^x exp(t^2) dt), as energies above a threshold ask for it. Compiled (jit).

Source: rational approximations of our own (least squares, weights by the relative error, 60 digits), held against
`scipy.special.dawsn` in the tests.
"""

from .jit import law

NEAR = 8.0  # up to here one polynomial over another


@law
def near_gap(E):
    """1 - D(sqrt E) / sqrt E for E within 0 and NEAR, to 1e-13 of it: 2 E / 3 at first, near 1 at last."""
    above = 7.5543940309725498e-6 + E * 2.0531539337419983e-7
    above = 0.0019861760835211003 + E * (0.0001699729183007414 + E * above)
    above = 0.66666666666672764 + E * (0.094918806941080409 + E * (0.023566720042031431 + E * above))
    below = 0.00016519139072775121 + E * (7.8778397627127462e-6 + E * 2.0274280830052563e-7)
    below = 0.02159626862890966 + E * (0.0022773289408934036 + E * below)
    below = 1.0 + E * (0.54237821041810267 + E * (0.13801564986877117 + E * below))
    return E * above / below


@law
def far_gap(E):
    """The same from NEAR on, to 1e-11."""
    t = 1.0 / E
    above = 76618.585395608703 + t * (-312722.76029194612 + t * (659318.51273560664 - t * 361633.46847374704))
    above = 0.99999999998690998 + t * (
        -44.070576582617125 + t * (919.21928486855004 + t * (-10790.659132178907 + t * above))
    )
    below = 81604.651386752575 + t * (-346596.28168515305 + t * (787188.62423111059 - t * 591545.27049757976))
    below = 1.0 + t * (-44.570576596347664 + t * (940.75457316054358 + t * (-11229.482725019011 + t * below)))
    return 1.0 - 0.5 * t * above / below


@law
def dawson_gap(E):
    """1 - D(sqrt E) / sqrt E for E >= 0: what the mean of exp(-E (1 - U^2)), U uniform in 0..1, is short of 1."""
    return near_gap(E) if E <= NEAR else far_gap(E)
