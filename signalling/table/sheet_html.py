"""A sheet as one page of HTML that needs nothing else.

Law of this file: every text from outside is escaped; nothing is fetched; it
prints in black on white, with its headings repeated on each sheet of paper.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from html import escape
from itertools import groupby

from signalling.table.expression import Expression
from signalling.table.sheet import Column, Row, Sheet, Value, narrow, plain, texts, unused_titles

__all__ = ["as_html"]

_STYLE = """\
:root { color-scheme: light; }
body { font: 0.85rem/1.35 system-ui, sans-serif; color: #000; background: #fff; margin: 1.5rem; }
h1 { font-size: 1.5em; margin: 0 0 0.3em; }
h2 { font-size: 1.2em; margin: 1.8em 0 0.3em; }
p { margin: 0 0 0.3em; max-width: 60em; }
.wide { overflow-x: auto; margin-top: 1.2em; }
table { border-collapse: collapse; }
th, td { border: 1px solid #777; padding: 0.25em 0.4em; text-align: left; vertical-align: top; }
thead th { vertical-align: bottom; border-color: #000; }
thead th[scope=colgroup] { text-align: center; vertical-align: middle; }
thead th.up > span { writing-mode: vertical-rl; transform: rotate(180deg); white-space: nowrap; }
tbody { border-top: 2px solid #000; }
th[scope=row], .whole { white-space: nowrap; }
th[scope=rowgroup] { white-space: normal; padding-top: 0.8em; }
ul { list-style: none; margin: 0; padding: 0; }
li { padding-left: 1em; text-indent: -1em; }
pre { font: 1em/1.35 ui-monospace, monospace; margin: 0; white-space: pre-wrap; }
dt { font-weight: bold; }
dd { margin: 0 0 0.3em 1.5em; max-width: 58em; }
@page { size: A4 landscape; margin: 10mm; }
@media print {
  body { font-size: 7pt; margin: 0; }
  .wide { overflow: visible; }
  thead { display: table-header-group; }
  tr { break-inside: avoid; }
  dl { columns: 2; }
  dt { break-after: avoid; }
  dd { break-inside: avoid; }
}
"""

_SHORT = 16
"""Letters of a text that is never broken over lines."""


def as_html(sheet: Sheet) -> str:
    """Return a sheet as a whole HTML page, without the columns in which nothing stands."""
    return "\n".join((*_page(sheet), ""))


def _page(sheet: Sheet) -> Iterator[str]:
    columns = tuple(
        column for column in sheet.used if not (sheet.headings and column.key == sheet.parts)
    )
    title = _safe(f"{sheet.layout}: {sheet.title.lower()}")
    yield "<!DOCTYPE html>"
    yield '<html lang="en">'
    yield "<head>"
    yield '<meta charset="utf-8">'
    yield '<meta name="viewport" content="width=device-width, initial-scale=1">'
    yield f"<title>{title}</title>"
    yield f"<style>\n{_STYLE}</style>"
    yield "</head>"
    yield "<body>"
    yield f"<h1>{title}</h1>"
    for note in sheet.notes:
        yield f"<p>{_safe(note)}</p>"
    yield '<div class="wide">'
    yield "<table>"
    yield "<thead>"
    yield from _headings(sheet, columns)
    yield "</thead>"
    for part, rows in groupby(sheet.rows, key=lambda row: row[sheet.parts]):
        yield "<tbody>"
        yield from _part(sheet, columns, str(part), rows)
        yield "</tbody>"
    yield "</table>"
    yield "</div>"
    yield from _legend(sheet, columns)
    yield "</body>"
    yield "</html>"


def _headings(sheet: Sheet, columns: tuple[Column, ...]) -> Iterator[str]:
    if any(column.group for column in columns):
        yield "<tr>"
        for group, members in groupby(columns, key=lambda column: column.group):
            yield f'<th scope="colgroup" colspan="{len(list(members))}">{_safe(group)}</th>'
        yield "</tr>"
    yield "<tr>"
    for column in columns:
        heading = _safe(column.heading)
        if narrow(sheet, column):
            yield f'<th scope="col" class="up"><span>{heading}</span></th>'
        else:
            yield f'<th scope="col">{heading}</th>'
    yield "</tr>"


def _part(
    sheet: Sheet, columns: tuple[Column, ...], part: str, rows: Iterable[Row]
) -> Iterator[str]:
    """Yield rows that belong together, under what is said of them."""
    if sheet.headings:
        heading = _safe(sheet.headings[part])
        yield f'<tr><th scope="rowgroup" colspan="{len(columns)}">{heading}</th></tr>'
    for row in rows:
        yield "<tr>"
        for column in columns:
            cell = _cell(column, row[column.key])
            if column.key == sheet.names:
                yield f'<th scope="row">{cell}</th>'
            else:
                yield f"<td>{cell}</td>"
        yield "</tr>"


def _cell(column: Column, value: Value | None) -> str:
    if isinstance(value, Expression):
        return f"<pre>{_safe_lines(value.lines(''))}</pre>"
    said = [_text(each) for each in texts(column, value)]
    if len(said) > 1:
        return f"<ul>{''.join(f'<li>{each}</li>' for each in said)}</ul>"
    return "".join(said)


def _text(text: str) -> str:
    """Return a text of a cell, to be broken over lines only where it is long, between words."""
    parts = [text] if len(text) <= _SHORT else text.split(" ")
    return " ".join(f'<span class="whole">{_safe(part)}</span>' for part in parts)


def _legend(sheet: Sheet, columns: tuple[Column, ...]) -> Iterator[str]:
    yield "<h2>What stands in the columns</h2>"
    yield "<dl>"
    for column in columns:
        if column.sentence:
            yield f"<dt>{_safe(column.heading)}</dt>"
            yield f"<dd>{_safe(column.sentence)}</dd>"
    yield "</dl>"
    unused = unused_titles(sheet)
    if unused:
        yield f"<p>Nothing stands under {_safe(', '.join(unused))}.</p>"


def _safe(text: str) -> str:
    return escape(plain(text))


def _safe_lines(lines: Iterator[str]) -> str:
    return "\n".join(_safe(line) for line in lines)
