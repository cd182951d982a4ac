"""A number with its range and where it comes from: the unit of every card, band and report."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

# From best to worst founded. A number of one kind never presents itself as another.
BASES = (
    "measured", "calibrated", "published", "handbook", "common practice", "from memory", "assumed", "guessed", "config",
)  # fmt: skip
GUESSED = "guessed"  # a key of a config that nobody measured, named in its [guessed]
ONE_OF = "one of"  # scale of a choice: the value is an index into its words, which are the note


@dataclass(frozen=True)
class Param:
    """One parameter in SI units: plausible value, plausible limits, and what they rest on."""

    name: str
    value: float
    unit: str
    low: float
    high: float
    basis: str  # one of BASES
    source: str  # where the number can be looked up, or how it was reasoned
    scale: str = "linear"  # "log" for quantities uncertain by a factor
    note: str = ""

    @property
    def words(self) -> tuple[str, ...]:
        """What a choice may be, in the order of its index; nothing of a number."""
        return tuple(self.note.split(" | ")) if self.scale == ONE_OF else ()


class ParamSet(Mapping[str, Param]):
    """An immutable, ordered set of parameters addressed by name."""

    def __init__(self, params: "list[Param] | tuple[Param, ...]" = (), title: str = ""):
        self._params = {p.name: p for p in params}
        self._picked: dict[tuple[str, ...], tuple[tuple[Param, ...], dict[str, float]]] = {}
        self.title = title

    def __getitem__(self, name: str) -> Param:
        return self._params[name]

    def __iter__(self) -> Iterator[str]:
        return iter(self._params)

    def __contains__(self, name: object) -> bool:
        return name in self._params

    def __len__(self) -> int:
        return len(self._params)

    def picked(self, names: tuple[str, ...]) -> tuple[tuple[Param, ...], dict[str, float]]:
        """Some of them, in that order, and their values by name; the same again for the next of many mills."""
        if names not in self._picked:
            found = tuple(self._params[n] for n in names)
            self._picked[names] = found, {p.name: p.value for p in found}
        return self._picked[names]

    def value(self, name: str) -> float:
        """Plausible value of a parameter in its SI unit."""
        return self._params[name].value

    def merged(self, params: "list[Param]") -> "ParamSet":
        """The same set with whole parameters replaced or added."""
        return ParamSet([*{**self._params, **{p.name: p for p in params}}.values()], self.title)
