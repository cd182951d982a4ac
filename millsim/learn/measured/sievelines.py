"""A sieving as a builder tells it, line by line: `0.5 mm 3.48`, `pan 3.48`, `charge 50`; checked as a sheet is."""

import re
from dataclasses import dataclass, field

from ...base.reading.cells import IN_THE_FILE, Answers, Findings
from ...base.reading.sheet import SieveSheet, parse_sheet
from ...base.reading.sieves import SheetRow, has_own_unit, read_columns, read_row, row_named, unit_doubt
from ...base.reading.values import Bad, show
from ...errors import InputError

HEADER = ("aperture_mm", "retained_g")
_ROWS = ("pan", "charge", "additive")  # what a line may name besides an opening
_LINE = re.compile(r"(.*?\S)(?:\s*[;:=]\s*|,\s+|\s+)(\d[\d.,]*\s*(?:kg|mg|g)?|lost|passed)", re.I)
_HINT = "opening and grams, `0.5 mm 3.48`; or `pan 3.48`, `charge 50`"


@dataclass
class SieveLines:
    """The lines so far. pan: "lost" or "passed" where the pan was not weighed."""

    rows: dict[str | float, SheetRow] = field(default_factory=dict)
    pan: str = ""

    def add(self, text: str) -> None:
        """Take one line, or several apart by semicolons; a sieve named again gets the new mass. Raises Bad."""
        parts = [part for part in re.split(r"\s*;\s*", text.strip()) if part]
        if len(parts) > 1 and all(map(_LINE.fullmatch, parts)):
            for part in parts:
                self.add(part)
            return
        match = _LINE.fullmatch(text.strip())
        if not match or ";" in match[1]:
            raise Bad(f"{show(text)} is not an opening and what stayed on it", "", _HINT)
        label, amount = match[1], match[2].casefold()
        name = row_named(label)
        if amount in ("lost", "passed"):
            if name != "pan":
                raise Bad(f"{show(text)} has no mass", "", "only the pan may be `lost` or `passed`")
            self.rows.pop("pan", None)
            self.pan = amount
            return
        if name and name not in _ROWS:
            raise Bad(f"{show(label)} is no sieve", "", _HINT)
        row = _row(label, amount)
        self.pan = "" if row.name == "pan" else self.pan
        self.rows.pop(row.name, None)
        self.rows[row.name] = row

    def undo(self) -> str:
        """Take the last line back; what it was, or "" where there is none."""
        if self.pan:
            said, self.pan = f"pan {self.pan}", ""
        elif self.rows:
            row = self.rows.popitem()[1]
            said = f"{row.given} {_grams(row)} g"
        else:
            return ""
        return f"taken back: {said}"

    def sheet(self, name: str) -> SieveSheet:
        """The whole as a sieve sheet. Raises Bad with what contradicts, or is still to be said."""
        if "pan" not in self.rows and not self.pan:
            raise Bad("the pan is still to come", "", "`pan 3.48`; not weighed, `pan passed` or `pan lost`")
        try:
            return parse_sheet(self.csv(""), name, None, IN_THE_FILE, pan=self.pan or None)
        except InputError as error:
            first = error.problems[0]
            raise Bad(first.message, first.allowed, first.hint) from None

    def csv(self, title: str) -> str:
        """The sieve sheet as CSV, coarse to fine."""
        sieves = sorted((r for r in self.rows.values() if not isinstance(r.name, str)), key=lambda r: -r.size_m)
        lines = [f"# {title}"] if title else []
        lines += [",".join(HEADER), *(f"{r.size_m * 1e3:.10g},{_grams(r)}" for r in sieves)]
        return "\n".join([*lines, *(f"{n},{_grams(self.rows[n])}" for n in _ROWS if n in self.rows)]) + "\n"

    def typed(self) -> str:
        """The lines in one, as a file of answers holds them."""
        lines = [f"{r.given} {_grams(r)} g" for r in self.rows.values()]
        return "; ".join([*lines, *([f"pan {self.pan}"] if self.pan else [])])


def _row(label: str, amount: str) -> SheetRow:
    found = Findings("", IN_THE_FILE)
    columns = read_columns(found, Answers(), list(HEADER), 1)
    row = read_row(found, columns, 0, [label, amount], label, amount) if columns else None
    if row is None:
        first = found.problems[0]
        raise Bad(first.message, first.allowed, first.hint or _HINT)
    if not isinstance(row.name, str) and not has_own_unit(label) and (doubt := unit_doubt([label], "mm")):
        raise Bad(doubt, "", "write the unit behind it")
    return row


def _grams(row: SheetRow) -> str:
    """A mass to the digits it was read with."""
    places = next(n for n in range(12) if row.step >= 0.999 * 10.0**-n)
    return f"{row.amount:.{places}f}"
