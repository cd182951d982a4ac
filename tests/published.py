"""Size distributions that were published, as data: shapes, to be scaled to the x50 that is wanted.

Each gives (sizes over x50, Q3 by mass or volume). They are of other things than this mill makes: what counts is how
many modes they have and how wide they are.
"""

import numpy as np
from scipy.special import ndtr

E799_UM = np.array([240, 360, 450, 562.5, 703, 878, 1097, 1371, 1713, 2141, 2676, 3345, 4181, 5226, 6532])
E799_COUNTS = np.array([65, 119, 232, 410, 629, 849, 990, 981, 825, 579, 297, 111, 21, 1])


def e799():
    """A spray, one narrow mode: ASTM E799 - 03, example table of counts, as in the documentation of `fluids`."""
    mass = E799_COUNTS * np.diff(E799_UM**4) / np.diff(E799_UM)  # the mean cube over a bin, evenly filled
    return _over_x50(E799_UM, np.concatenate([[0.0], np.cumsum(mass) / mass.sum()]))


def fine_dust():
    """Ground quartz, one wide mode: ISO 12103-1, A2 fine test dust, middles of its limits by volume (from memory)."""
    um = np.array([0.4, 0.97, 1.38, 2.75, 5.5, 11.0, 22.0, 44.0, 88.0, 124.5, 176.0])
    q = np.array([0.0, 5.0, 8.75, 22.3, 41.0, 58.25, 74.75, 90.5, 98.4, 99.5, 100.0]) / 100.0
    return _over_x50(um, q)


def urban_aerosol():
    """Two modes of like volume, 18-fold apart: mean urban aerosol, Whitby 1978, Atmos. Environ. 12:135 (from memory).

    Log-normal in volume: 38.4 um3/cm3 about 0.32 um (geometric deviation 2.16) and 30.8 about 5.7 um (2.21).
    """
    um, q = np.geomspace(0.02, 80.0, 200), 0.0
    for volume, middle, wide in ((38.4, 0.32, 2.16), (30.8, 5.7, 2.21)):
        q = q + volume / (38.4 + 30.8) * ndtr(np.log(um / middle) / np.log(wide))
    return _over_x50(um, q)


def _over_x50(x, q):
    return x / np.interp(0.5, q, x), q
