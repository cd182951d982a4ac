"""`millsim report`: a kept prediction as one HTML file and as a PDF."""

from pathlib import Path

import click

from .base import answer, tell, wants_talk
from .inputs import force_option, json_option, path_type, quiet_option


@click.command(short_help="Write a report: one HTML page, and a PDF.")
@click.argument("file", metavar="FILE.h5", type=path_type)
@click.option("-o", "--out", type=path_type, metavar="REPORT.html", help="Default: FILE.html beside FILE.h5.")
@click.option("--pdf", type=path_type, metavar="REPORT.pdf", help="Also as a PDF for the wall, A4.")
@quiet_option
@json_option
@force_option
@click.pass_context
def report(ctx: click.Context, file: Path, out: Path | None, pdf: Path | None, force: bool) -> None:
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
    from ..base.quantities.written import wrap
    from ..record import read
    from ..studies.since import since

    prediction = read.read(file)
    files = since(prediction, file)
    from ..show.report.html import to_html
    from ..show.words import cautions
    from ..show.words.since import PREDICTION, since_words

    made = [(out, to_html(prediction, files).encode())]
    if pdf is not None:
        from ..show.report.pdf import to_pdf

        made.append((pdf, to_pdf(prediction, files)))
    for path, data in made:
        write_bytes(path, data, force)
    paths, since_then = [str(path) for path, _ in made], since_words(files, PREDICTION)
    caution = cautions.at("report", cautions.case_of_prediction(prediction))
    as_json = {"written": paths, "files": since_then, "caution": list(caution.sentences)}
    answer(ctx, lambda: as_json, lambda: "\n".join(paths))
    if wants_talk(ctx):
        tell([*wrap(since_then), *caution.lines])
