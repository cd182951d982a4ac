"""Dust that may explode, and noise. Reminders, no assessment."""

import math

import numpy as np

from ...laws import strength
from .facts import MillFacts, say
from .judge import PREDICT, Rule
from .line import ReviewLine

DUST_SIZE = 0.5e-3  # m; finer counts as dust that may explode (convention, from memory)
QUARTER = 0.25  # of the lower explosion limit: the usual ceiling (common practice, no source)

DUST = Rule("dust and people", "dust in the air", "kg/m3", "rate share(x < 0.5 mm) / Q against a quarter of the limit",
            "assumed", "model, quick prediction; a factor of 2 to 5 before calibration", close=5.0)  # fmt: skip
NOISE = Rule("dust and people", "noise", "dB(A)", "routers read at 105 to 113, a mill 5 to 10 more", "from memory",
             "one hobbyist's readings; 85 dB(A): ear protection by EU rules")  # fmt: skip


def lines(f: MillFacts) -> list[ReviewLine]:
    """All checks for people."""
    return [dust(f), noise()]


def fine_share(f: MillFacts) -> float | None:
    """Share of the powder finer than DUST_SIZE by the prediction."""
    if f.prediction is None:
        return None
    edges, q3 = f.prediction.powder
    share = float(np.interp(math.log(DUST_SIZE), np.log(edges), q3))
    return share if math.isfinite(share) else None


def dust(f: MillFacts) -> ReviewLine:
    """Fine powder in the air that leaves against a quarter of the least explosible concentration."""
    card = f.config.material
    share, Q, rate = fine_share(f), f.scalar("air_flow_m3_s"), f.rate
    value = None
    if share is not None and Q is not None and Q > 0.0 and rate is not None:
        value = strength.dust_concentration(rate, share, Q)

    def there() -> str:
        return f"{say(value, 'g/m3', 2)} in the air that leaves. " if value is not None else ""

    apart = "Keep sparks, static and brushed motors out of it, earth all metal, let no dust pile up; what is " \
            "shaken out of a filter is always above the limit"  # fmt: skip
    if "mec" not in card and "combustible" in card and card["combustible"].value == 0.0:
        burns = card["combustible"]
        mask = "This material does not burn, by the card. Its dust is not to be breathed: mask and extraction"
        return DUST.tell("passes", value, lambda: f"{there()}{mask}", basis=burns.basis, source=burns.source)
    if "mec" not in card:
        unknown = "Unknown, treat as explosible: the card has no mec"
        return DUST.tell("not checked", value, lambda: f"{unknown}. {there()}{apart}")
    mec = card["mec"]
    limit = QUARTER * mec.value

    def of() -> str:
        return f"Dust of this material can explode from {say(mec.value, 'g/m3', 2)} on, by the card"

    def said() -> str:
        return f"{there()}{of()}. {apart}" if value is None or value * DUST.close <= limit else f"{there()}{of()}"

    def cloud() -> str:
        above = "above the explosion limit itself" if value and value > mec.value else "above a quarter of it"
        return f"That is {above}: count on a cloud that can explode inside mill, duct and bag, and have the " \
               f"protection done by licensed practice. {apart}"  # fmt: skip

    if value is None:
        return DUST.missing(PREDICT, said)
    if f.config.feed.batch_mass_kg is not None:
        mean = "That is the mean over the batch; most of a batch comes out in its first part, many times denser"
        return DUST.missing("give a steady feed.rate", lambda: f"{there()}{mean}. {of()}. {apart}", value)
    source = f"{mec.source}; never a design value: test the actual dust"
    near = f"That is close to a quarter of it, and the prediction may be off by a factor of 2 to 5. {apart}"
    return DUST.judge(value, limit, said, near, cloud, basis=mec.basis, source=source)


def noise() -> ReviewLine:
    """A reminder."""
    return NOISE.note(None, "Expect well above 85 dB(A): wear ear protection, and enclose the mill.")
