"""`millsim report`: a kept prediction as one HTML file and as a PDF."""

from pathlib import Path

import click

from .base import tell
from .inputs import force_option, path_type
from .plain import echo


@click.command()
@click.argument("file", metavar="FILE.h5", type=path_type)
@click.option("-o", "--out", type=path_type, metavar="REPORT.html", help="Default: FILE.html beside FILE.h5.")
@click.option("--pdf", type=path_type, metavar="REPORT.pdf", help="Also as a PDF for the wall, A4.")
@force_option
def report(file: Path, out: Path | None, pdf: Path | None, force: bool) -> None:
    """Write a report of a kept prediction: for the wall, the phone and the folder.

    One HTML file that needs no network and no script, with the answer in words first, then figures, the drawing to
    scale, why, the pre-build checks, every parameter with its source, and how to have the same numbers again. Prints
    the paths written.
    """
    from ..record.files import check_target, write_bytes

    out = out or file.with_suffix(".html")
    check_target(out, force, "-o", "report.html")
    if pdf is not None:
        check_target(pdf, force, "--pdf", "report.pdf")
    from ..record import read

    prediction = read.read(file)
    from ..show.report.html import to_html
    from ..show.words import cautions

    made = [(out, to_html(prediction).encode())]
    if pdf is not None:
        from ..show.report.pdf import to_pdf

        made.append((pdf, to_pdf(prediction)))
    for path, data in made:
        write_bytes(path, data, force)
        echo(path)
    tell(cautions.at("report", cautions.case_of_prediction(prediction)).lines)
