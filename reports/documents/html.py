"""A document as one HTML file that needs nothing else: style and charts stand in it."""

from __future__ import annotations

import base64
from functools import cache
from html import escape
from importlib.resources import files
from itertools import count
from typing import TYPE_CHECKING

from reports.documents.blocks import (
    Beside,
    Figure,
    Heading,
    NewPage,
    Paragraph,
    Picture,
    Points,
    Room,
    Table,
)

if TYPE_CHECKING:
    from collections.abc import Iterator

    from reports.documents.blocks import Block, Document


def as_html(document: Document) -> bytes:
    """Return the document as UTF-8 bytes of HTML."""
    numbers, sections = count(1), count(1)
    body = "\n".join(
        _section(block.text, next(sections))
        if isinstance(block, Heading) and block.level == 1
        else _written(block, numbers)
        for block in document.blocks
    )
    return f"""<!DOCTYPE html>
<html lang="en-GB">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<meta name="description" content="{escape(document.subtitle)}">
<meta name="author" content="{escape(document.author)}">
<title>{escape(document.title)}</title>
<style>
{_style()}</style>
</head>
<body>
<main>
<h1>{escape(document.title)}</h1>
<p class="under">{escape(document.subtitle)}</p>
{_contents(document)}
{body}
</main>
<footer><p>{escape(document.foot)}</p></footer>
</body>
</html>
""".encode()


@cache
def _style() -> str:
    return (files("reports.documents") / "page.css").read_text(encoding="utf-8")


def _contents(document: Document) -> str:
    """Return the list of sections, which leads to each."""
    names = [block.text for block in document.blocks
             if isinstance(block, Heading) and block.level == 1]  # fmt: skip
    items = "".join(
        f'<li><a href="#section-{number}">{escape(name)}</a></li>'
        for number, name in enumerate(names, 1)
    )
    return f'<nav aria-label="Sections"><ul>{items}</ul></nav>'


def _section(name: str, number: int) -> str:
    return f'<h2 id="section-{number}">{escape(name)}</h2>'


def _written(block: Block, numbers: Iterator[int]) -> str:
    if isinstance(block, Heading):
        level = block.level + 1
        return f"<h{level}>{escape(block.text)}</h{level}>"
    if isinstance(block, Paragraph):
        kind = ' class="note"' if block.is_note else ""
        return f"<p{kind}>{escape(block.text)}</p>"
    if isinstance(block, Points):
        tag = "ol" if block.is_numbered else "ul"
        items = "".join(f"<li>{escape(point)}</li>" for point in block.points)
        return f"<{tag}>{items}</{tag}>"
    if isinstance(block, Figure):
        return _figure(block, next(numbers))
    if isinstance(block, Table):
        return _table(block)
    return _laid_out(block, numbers)


def _laid_out(block: Picture | Room | NewPage | Beside, numbers: Iterator[int]) -> str:
    if isinstance(block, Picture):
        return _picture(block)
    if isinstance(block, Room):
        lines = "<div></div>" * block.lines
        return f'<p class="room-for">{escape(block.words)}</p><div class="room">{lines}</div>'
    if isinstance(block, NewPage):
        return '<div class="new-page"></div>'
    left, right = (
        "\n".join(_written(each, numbers) for each in column)
        for column in (block.left, block.right)
    )
    return f'<div class="columns">\n<div>{left}</div>\n<div>{right}</div>\n</div>'


def _picture(block: Picture) -> str:
    width, height = block.size
    held = base64.b64encode(block.png).decode()
    return (
        f'<figure><img src="data:image/png;base64,{held}" width="{width}" height="{height}" '
        f'alt="{escape(block.alternative)}">'
        f"<figcaption>{escape(block.caption)}</figcaption></figure>"
    )


def _figure(block: Figure, number: int) -> str:
    # What one chart calls its parts, another calls them too: in one page they have to differ.
    svg = _apart(block.chart.svg, f"chart-{number}-")
    role = f'<svg role="img" aria-label="{escape(block.chart.alternative)}"'
    drawn = svg.replace("<svg", role, 1)
    caption = f"<figcaption>{escape(block.caption)}</figcaption>"
    return f'<figure><div class="wide" tabindex="0">{drawn}</div>{caption}</figure>'


def _apart(svg: str, prefix: str) -> str:
    for before in (' id="', 'href="#', "url(#"):
        svg = svg.replace(before, before + prefix)
    return svg


def _table(block: Table) -> str:
    def cell(tag: str, place: int, text: str, scope: str = "") -> str:
        kind = "" if place < block.texts else ' class="number"'
        return f"<{tag}{scope}{kind}>{escape(text)}</{tag}>"

    head = "".join(
        cell("th", place, name, ' scope="col"') for place, name in enumerate(block.heading)
    )
    rows = "\n".join(
        "<tr>"
        + cell("th", 0, row[0], ' scope="row"')
        + "".join(cell("td", place, text) for place, text in enumerate(row[1:], 1))
        + "</tr>"
        for row in block.rows
    )
    name = escape(block.caption)
    return (
        f'<div class="wide" role="region" aria-label="{name}" tabindex="0">\n<table>\n'
        f"<caption>{name}</caption>\n<thead><tr>{head}</tr></thead>\n<tbody>\n{rows}\n</tbody>\n"
        "</table>\n</div>"
    )
