"""`millsim report` and `millsim why`: a stored prediction as one HTML file and as a PDF, and its why in sentences."""

from pathlib import Path

import click

from .base import force_option, json_done, json_option, path_type


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

    made = [(out, to_html(prediction).encode())]
    if pdf is not None:
        from ..show.report.pdf import to_pdf

        made.append((pdf, to_pdf(prediction)))
    for path, data in made:
        write_bytes(path, data, force)
        click.echo(path)


@click.command("why")
@click.argument("file", metavar="FILE.h5", type=path_type)
@json_option
@click.pass_context
def why_command(ctx: click.Context, file: Path, as_json: bool) -> None:
    """Say why a mill does what it does.

    From a kept prediction: hits per particle and the share hard enough to break, energy per hit, what makes the powder,
    where each watt goes, what holds it back.
    """
    from ..base.quantities import written
    from ..record import read
    from ..show.words import why

    p = read.read(file)
    said = why.sentences(p)
    if as_json:
        json_done(ctx, {"status": p.status, "mill": p.mill_name, "config_sha256": p.config_sha256, "why": said})
        return
    told = said or ["Nothing can be told from this result."]
    told.append("A prediction, not a measurement; the numbers rest on what `millsim report` lists.")
    click.echo("\n".join(line for text in told for line in written.wrap(text)))
