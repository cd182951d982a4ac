"""How a bench test stands to the card it is set beside: in one line, the same wherever it is told."""

from math import isinf

from ...base.quantities.written import digits

DISJOINT = "they do not overlap"


def standing(what: str, card: tuple[float, float], yours: tuple[float, float], unit: str = "") -> str:
    """ "what: card 0.8 to 4 J/kg, yours 5 to 32 J/kg: they do not overlap"; limits (low, high), 0 or inf where open."""
    return f"{what}: card {_span(*card, unit)}, yours {_span(*yours, unit)}: {relation(card, yours)}"


def relation(card: tuple[float, float], yours: tuple[float, float]) -> str:
    """In words how two ranges lie to each other."""
    if yours[0] > card[1] or yours[1] < card[0]:
        return DISJOINT
    if card[0] <= yours[0] and yours[1] <= card[1]:
        return "yours lies within"
    if yours[0] <= card[0] and card[1] <= yours[1]:
        return "the card lies within yours"
    return "they overlap in part"


def _span(low: float, high: float, unit: str) -> str:
    end = f" {unit}" if unit else ""
    if low <= 0.0 and isinf(high):
        return "anything"
    if low <= 0.0:
        return f"below {digits(high, 2)}{end}"
    if isinf(high):
        return f"above {digits(low, 2)}{end}"
    return f"{digits(low, 2)} to {digits(high, 2)}{end}"
