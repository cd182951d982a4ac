"""The reference of all keys as one HTML file."""

from ...base.quantities.written import capital
from ...version import __version__
from ..parts import Paragraph
from ..words.keys import kinds
from .blocks import Report, Section
from .html import render_html

NATURE = "Every key of every file that millsim reads; what is marked review changes no prediction."


def to_html() -> str:
    """The page: a section for each kind of file."""
    sections = tuple(
        Section(k.name, f"{capital(k.name)} file", (Paragraph(capital(k.about)), *k.sections)) for k in kinds()
    )
    return render_html(Report("Keys of millsim", "Keys", f"millsim {__version__}", sections, NATURE))
