"""A report as one self-contained HTML file: no script, nothing from the network; screen, phone and A4."""

import base64
import html
import re
from collections.abc import Iterable
from functools import singledispatch

from ...base.quantities.written import capital, glued, harmless
from ...mill.config.since import Since
from ...record.prediction import Prediction
from ..parts import Paragraph, Table
from ..plots.prediction import render
from .blocks import Block, Facts, Items, Listing, Notice, Only, Picture, Report, Section
from .content import report
from .css import style_sheet

_CLASSES = {"n": "t", "b": "t", "p": "t", "d": "l"}  # kind of column: class of its cells, where it is another
_BROKEN = "tnbp"  # kinds of columns whose words may be broken
_WORDS = 16  # characters that such a column needs
_PHONE = 58  # characters of a table, with four between columns, that a phone of 390 px shows whole
_SHORT = 18  # a table of up to so many rows is kept on one printed page


def to_html(prediction: Prediction, files: Since | None = None) -> str:
    """The report of a prediction as the text of one HTML file; the same prediction gives the same text.

    files: what has become of those that it was made from, where that is to be told.
    """
    return render_html(report(prediction, files))


def render_html(found: Report) -> str:
    """A report as the text of one HTML file."""
    links = "".join(f'<li><a href="#{s.key}">{_text(s.title)}</a></li>' for s in found.sections)
    body = "\n".join(_section(s) for s in found.sections)
    return (
        '<!DOCTYPE html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        '<meta name="color-scheme" content="light dark">\n'
        f"<title>{_text(found.title)}</title>\n<style>\n{style_sheet(f'millsim report: {found.run}')}\n</style>\n"
        '</head>\n<body>\n<div class="page">\n<header>\n'
        f'<h1>{_text(found.mill)}</h1>\n<p class="quiet">{_text(found.nature)} {_text(capital(found.run))}</p>\n'
        f'<nav aria-label="Contents"><ul>{links}</ul></nav>\n</header>\n'
        f"<main>\n{body}\n</main>\n</div>\n</body>\n</html>\n"
    )


def fragment(blocks: Iterable[Block]) -> str:
    """Blocks as HTML without a page about them, as a notebook shows them."""
    return "\n".join(map(_block, blocks))


def _section(s: Section) -> str:
    blocks = "\n".join(_block(b) for b in s.blocks)
    return (
        f'<section id="{s.key}" aria-labelledby="{s.key}-title">\n'
        f'<h2 id="{s.key}-title">{_text(s.title)}</h2>\n{blocks}\n</section>'
    )


def _text(text: str) -> str:
    """Text of people as HTML: nothing in it is markup; a number stays with its unit."""
    clean = "".join(c if c.isprintable() or c == "\n" else " " for c in text)
    return html.escape(glued(clean))


def _slug(text: str) -> str:
    return "-".join(re.findall(r"[a-z0-9]+", text.lower()))


@singledispatch
def _block(block: Block) -> str:
    """A block as HTML."""
    raise TypeError(f"no HTML for {type(block).__name__}")


@_block.register
def _(block: Paragraph) -> str:
    if not block.label:
        return f'<p class="plain">{_text(capital(block.text))}</p>'
    return f'<div class="told"><h3>{_text(block.label)}</h3><p>{_text(capital(block.text))}</p></div>'


@_block.register
def _(block: Notice) -> str:
    return f'<div class="notice" role="note"><h3>{_text(block.label)}</h3><p>{_text(block.text)}</p></div>'


@_block.register
def _(block: Facts) -> str:
    rows = [f"<div><dt>{_text(f.label)}</dt><dd>{_text(f.value)}</dd>{_remark(f.remark)}</div>" for f in block.facts]
    return f'<dl class="facts">{"".join(rows)}</dl>'


def _remark(text: str) -> str:
    return f'<dd class="remark">{_text(text)}</dd>' if text else ""


@_block.register
def _(block: Items) -> str:
    return f'<ul class="items">{"".join(f"<li>{_text(t)}</li>" for t in block.items)}</ul>'


@_block.register
def _(block: Table) -> str:
    name, all_kinds = f"table-{_slug(block.caption)}", [_CLASSES.get(k, k) for k in block.kinds]
    head = "".join(
        f'<th scope="col" class="{k}">{_text(h)}</th>' if h else f'<td class="{k}"></td>'
        for h, k in zip(block.header, all_kinds, strict=True)
    )
    groups, rows = dict(block.groups), []
    for i, row in enumerate(block.rows):
        if i in groups:
            rows.append(f'<tr class="group"><th scope="colgroup" colspan="{len(row)}">{_text(groups[i])}</th></tr>')
        cells = (_cell(c, k, j) for j, (c, k) in enumerate(zip(row, all_kinds, strict=True)))
        rows.append(f"<tr>{''.join(cells)}</tr>")
    head = f"<thead><tr>{head}</tr></thead>" if any(block.header) else ""
    foot = f'<p class="foot">{_text(block.foot)}</p>' if block.foot else ""
    kinds = ["words"] if all_kinds[-1] == "t" and len(all_kinds) > 2 else []
    kinds += ["stack"] if "v" in all_kinds else []  # on a phone its cells stand one below the other
    kind = f' class="{" ".join(kinds)}"' if kinds else ""
    short = " short" if len(block.rows) <= _SHORT else ""
    wide = " wide" if "stack" not in kinds and _characters(block) > _PHONE else ""
    return (
        f'<div class="block{short}"><div class="scroll{wide}" role="region" tabindex="0" aria-labelledby="{name}">'
        f'<table{kind}><caption id="{name}">{_text(block.caption)}</caption>{head}'
        f"<tbody>{''.join(rows)}</tbody></table></div>{foot}</div>"
    )


def _characters(t: Table) -> int:
    """About how many characters wide a table is: words may be broken, numbers and short texts may not."""
    wide = 0
    for i, (kind, header) in enumerate(zip(t.kinds, t.header, strict=True)):
        cells = [part for row in t.rows for part in row[i].split("\n")]
        words = max(map(len, header.split()), default=0)
        own = max(map(len, cells), default=0)
        wide += max(words, min(own, _WORDS) if i == 0 or kind in _BROKEN else own) + 4
    return wide


def _cell(text: str, kind: str, column: int) -> str:
    """A cell; the first of a row names the row; a verdict has its colour besides its word."""
    verdict = f" {_slug(text)}" if kind == "v" else ""
    first, _, second = text.partition("\n")
    content = _text(first) + (f'<span class="under">{_text(second)}</span>' if second else "")
    if column == 0:
        return f'<th scope="row" class="{kind}">{content}</th>'
    return f'<td class="{kind}{verdict}">{content}</td>'


@_block.register
def _(block: Picture) -> str:
    data = base64.b64encode(render(block.draw(), "svg", block.alt)).decode("ascii")
    kind = ' class="sheet"' if block.sheet else ""
    return (
        f'<figure id="figure-{_slug(block.name)}"{kind}>'
        f'<input type="checkbox" class="zoom" id="zoom-{_slug(block.name)}">'
        f'<label for="zoom-{_slug(block.name)}">larger, to be swiped sideways</label>'
        f'<div class="plate" role="region" tabindex="0" aria-label="Figure: {_text(block.caption)}">'
        f'<img alt="{_text(block.alt)}" src="data:image/svg+xml;base64,{data}"></div>'
        f"<figcaption>{_text(block.caption)}</figcaption></figure>"
    )


@_block.register
def _(block: Listing) -> str:
    text = html.escape(harmless(block.text))
    return f'<div class="block"><h3>{_text(block.label)}</h3><pre tabindex="0">{text}</pre></div>'


@_block.register
def _(block: Only) -> str:
    return f'<div class="{block.medium}">{_block(block.block)}</div>'
