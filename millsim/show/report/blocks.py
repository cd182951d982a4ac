"""What a report is made of besides paragraphs and tables: notices, pictures, listings. Knows no HTML and no PDF."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

from ..parts import Paragraph, Table

if TYPE_CHECKING:
    from matplotlib.figure import Figure

NATURE = "Milling report: a prediction, not a measurement and not a safety clearance."
VERDICT_MARKS = {  # a mark before the word, so that a line is told apart without colour
    "fails": "✗",
    "at its limit": "!",
    "outside": "!",
    "close": "!",
    "passes": "·",
    "not checked": "?",
    "note": "i",
}


@dataclass(frozen=True)
class Notice:
    """A paragraph that must not be overlooked."""

    label: str
    text: str


@dataclass(frozen=True)
class Fact:
    """One figure of the first page: what it is, the value with its unit, and its band or remark."""

    label: str
    value: str
    remark: str = ""


@dataclass(frozen=True)
class Facts:
    """The figures of the first page."""

    facts: tuple[Fact, ...]


@dataclass(frozen=True)
class Items:
    """A list of sentences."""

    items: tuple[str, ...]


@dataclass(frozen=True)
class Picture:
    """A figure: drawn when asked for; the alternative text tells its message to those who do not see it.

    sheet: a page of its own size, such as a drawing to scale, that must not be shrunk.
    """

    name: str
    draw: "Callable[[], Figure]"
    alt: str
    caption: str
    sheet: bool = False


@dataclass(frozen=True)
class Listing:
    """Text to be copied as it is."""

    label: str
    text: str


@dataclass(frozen=True)
class Only:
    """A block for one medium: the long form for the screen, or what stands for it on paper."""

    medium: str  # "screen" or "paper"
    block: "Block"


Block = Paragraph | Notice | Facts | Items | Table | Picture | Listing | Only


@dataclass(frozen=True)
class Section:
    """One chapter; `key` is its name in links."""

    key: str
    title: str
    blocks: tuple[Block, ...]


@dataclass(frozen=True)
class Report:
    """The whole report, without a date: the same prediction gives the same report."""

    title: str
    mill: str
    run: str  # one line: seed, version, config hash
    sections: tuple[Section, ...]
    nature: str = NATURE
