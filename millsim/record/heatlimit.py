"""The one limit on heat, for predict, heat, check and choose alike: where the powder sticks, and what is advised.

A user's own limit takes the place of both numbers, everywhere.
"""

import math
from collections.abc import Mapping
from typing import NamedTuple

from ..base.quantities.scalar import Scalar
from ..base.quantities.written import duration, number
from .asked import config_value
from .prediction import Prediction

CONTACT_K = 15.0  # below sticking: the margin that is advised (assumed; laws/heat.md)
AT_LIMIT_K = 0.05  # a mill that the search holds at its limit stands this near to it
SPOTS = "contact spots run 30 to 60 K hotter than the powder"
FROM_CARD, FROM_CONFIG = "card", "limits.outlet_temperature"


class HeatLimit(NamedTuple):
    """What the warmer of powder and air may reach: at most [K], and advised [K]; source: of the two."""

    most_K: float
    advised_K: float
    stick_K: float
    source: str

    @property
    def is_card(self) -> bool:
        """Whether it is the card's, and no user's own."""
        return self.source == FROM_CARD

    def words(self) -> str:
        """Both numbers, and where they are from: a clause."""
        if self.is_card:
            return (
                f"by its card it sticks at {celsius(self.stick_K)}, and at most {celsius(self.advised_K)} is advised, "
                f"because {SPOTS} (assumed)"
            )
        text = f"at most {celsius(self.most_K)} ({self.source})"
        if math.isfinite(self.stick_K):
            below = ", which is less" if self.stick_K < self.most_K else ""
            text += f"; by its card it sticks at {celsius(self.stick_K)}{below}"
        return text

    def is_near(self, T: float) -> bool:
        """Whether T [K] is within the limit but not within what is advised."""
        return self.advised_K < T <= self.most_K + AT_LIMIT_K

    def near(self, T: float) -> str:
        """The same in words; "" where it is not."""
        if not self.is_near(T):
            return ""
        left = f"{max(0, math.floor(self.most_K - T))} K"
        return f"less than the advised {CONTACT_K:.0f} K to the sticking temperature ({left} are left): {SPOTS}"


def heat_limit(stick_K: float, user_K: float | None = None, source: str = FROM_CONFIG) -> HeatLimit:
    """The limit of a material that sticks at stick_K, or a user's own in its place."""
    if user_K is None:
        return HeatLimit(stick_K, stick_K - CONTACT_K, stick_K, FROM_CARD)
    return HeatLimit(user_K, user_K, stick_K, source)


def of_prediction(p: Prediction) -> HeatLimit:
    """The limit a prediction was made with."""
    user = config_value(p, "limits", "outlet_temperature", "K")
    if math.isnan(user):
        return heat_limit(p.temperature_limit_K)
    known = [x.value for x in p.parameters if x.name == "stick_temperature"]
    return heat_limit(known[0] if known else math.nan, user)


def no_powder(stick_K: float, T: float) -> bool:
    """Whether what leaves a mill, or its batch, at T [K] sticks together."""
    return T > stick_K + AT_LIMIT_K


def sticks(p: Prediction) -> bool:
    """The same of a prediction."""
    outlet = p.main.scalars.get("outlet_temperature_K")
    return outlet is not None and no_powder(of_prediction(p).stick_K, outlet.value)


def feed_sticks(stick_K: float, feed_K: float) -> bool:
    """Whether the feed sticks before anything is done to it: no mill runs on it."""
    return feed_K >= stick_K


def feed_sticks_words(stick_K: float, feed_K: float) -> str:
    """The same in words: a clause."""
    return f"the feed comes at {celsius(feed_K)}, and by its card it sticks from {celsius(stick_K)} on"


def feed_of(p: Prediction) -> tuple[float, float]:
    """(where the feed of a prediction sticks, its temperature) [K]; NaN where it does not say."""
    return of_prediction(p).stick_K, config_value(p, "feed", "temperature", "K")


def no_powder_words(T: float, stick_K: float) -> str:
    """That something as warm as T [K] is no powder: a sentence without its end."""
    return (
        f"at {celsius(T)} it is no powder but sticks, smears or scorches from {celsius(stick_K)} on (its card), so "
        "what comes out is lumps, and the sieve blinds"
    )


def stopped_words(seconds: float, scalars: Mapping[str, Scalar]) -> str:
    """That a batch with these figures jams, or runs away, after so long: a sentence without its end."""
    T, when = scalars["outlet_temperature_K"].value, duration(seconds)
    if scalars["jam_index"].value > 1.0:
        what = f"jams: after {when} the charge takes more than rotor and motor give, and the rotor stands"
    else:
        what = f"runs away: after {when} it is at {celsius(T)} and gets hotter still"
    if math.isnan(scalars["throughput_kg_s"].value):
        return f"this batch {what}; by then too little of it was powder to tell sizes, rate and energy"
    return f"this batch {what}; all figures are up to there"


def celsius(kelvin: float) -> str:
    """A temperature for people, to the degree."""
    return f"{number(kelvin - 273.15, 0)} °C"
