"""What an attack tried, and what failed."""

import random
from collections import Counter
from dataclasses import dataclass, field

import click

ALL = slice(None)  # of the things that an attack goes through; a part of them where a round is run in pieces


@dataclass
class Tally:
    """Tries of one attack by how they ended; failures with the name of the try, so that it can be made again."""

    attack: str
    seed: int
    ended: Counter = field(default_factory=Counter)
    failures: list[str] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)

    def add(self, how: str) -> None:
        """Count a try that ended well."""
        self.ended[how] += 1

    def fail(self, case: str, why: str) -> None:
        """Count a try that did not, and say so at once: a long round takes its time."""
        self.ended["FAILED"] += 1
        self.failures.append(f"{case}: {why}")
        click.echo(f"{self.attack}: {self.failures[-1]}", err=True)

    def text(self, most: int = 20) -> str:
        """One line of what was tried, and a line for each of the first failures."""
        ended = ", ".join(f"{n} {how}" for how, n in sorted(self.ended.items()))
        lines = [f"{self.attack}, seed {self.seed}: {sum(self.ended.values())} tries: {ended}", *self.notes]
        return "\n".join([*lines, *(f"  {f}" for f in self.failures[:most])])


def dice(seed: int, case: str) -> random.Random:
    """The dice of one try: the same for the same name, whatever else is tried."""
    return random.Random(f"{seed}/{case}")


def part(text: str) -> slice:
    """Every Nth thing, from the Kth on, of "K/N"."""
    first, slash, parts = text.partition("/")
    if not (slash and first.isdigit() and parts.isdigit() and 1 <= int(first) <= int(parts)):
        raise ValueError(f"{text} is none of 1/N to N/N")
    return slice(int(first) - 1, None, int(parts))
