"""A sheet as a PDF: landscape, its headings on every page, no cell cut.

Law of this file: looks only; the one user of reportlab. Nothing depends on
when or where it is written: one sheet is the same bytes every time. A table
that is too wide for the paper goes on beside itself, on pages of its own, with
the names of its rows repeated. What the font cannot show stands as its number.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from functools import lru_cache
from io import BytesIO
from itertools import accumulate, groupby
from xml.sax.saxutils import escape

import font_roboto
from attrs import frozen
from reportlab.lib.colors import HexColor, black, grey
from reportlab.lib.pagesizes import A3, A4, landscape
from reportlab.lib.styles import ParagraphStyle
from reportlab.lib.units import mm
from reportlab.pdfbase.pdfmetrics import registerFont, stringWidth
from reportlab.pdfbase.ttfonts import TTFont
from reportlab.pdfgen.canvas import Canvas
from reportlab.platypus import (
    BaseDocTemplate,
    Flowable,
    Frame,
    PageBreak,
    PageTemplate,
    Paragraph,
    Spacer,
    Table,
    TableStyle,
)

from signalling.table.expression import Expression
from signalling.table.sheet import Column, Row, Sheet, narrow, plain, texts, unused_titles

__all__ = ["as_pdf"]

_PLAIN, _BOLD = "Roboto", "RobotoBold"
_SIZE, _LEADING, _PADDING = 7.0, 8.4, 2.5
"""Of the text of the table, in points."""
_MARGIN = 10 * mm
_FOOT = _MARGIN + 2 * _LEADING
"""Below: the margin, and the foot of the page."""
_CELL = 3.0
"""Above and below the text of a cell, together."""
_TALLEST = 80 * mm
"""Of a heading that is read from below."""
_WIDEST = 60 * mm
"""Width beyond which a text is broken even within words."""

_LIKED = 180 * mm
"""Width beyond which no column is made, however long its texts."""
_LIST = 8
"""Texts of a cell beyond which they stand one after the other, not one below the other."""
_HANG = "  "
"""Before the lines on which a text goes on."""

_Size = tuple[float, float]
"""The least width of a column, and the one that it likes, in points."""


@frozen
class _Band:
    """Columns that stand side by side on one page, and their widths, in points."""

    columns: tuple[Column, ...]
    widths: Sequence[float]


def as_pdf(sheet: Sheet) -> bytes:
    """Return a sheet as a PDF on A4, or on A3 where it is wide, without unused columns."""
    glyphs = _fonts()

    @lru_cache(100_000)
    def shown(text: str) -> str:
        """Return a text in which the number of a character stands for what the font lacks."""
        return "".join(
            each
            if ord(each) in glyphs
            else each.encode("ascii", "backslashreplace").decode("ascii")
            for each in plain(text)
        )

    page, bands = _bands(sheet, shown)
    title = shown(f"{sheet.layout}: {sheet.title.lower()}")
    out = BytesIO()
    document = BaseDocTemplate(
        out,
        title=title,
        subject=" ".join(map(shown, sheet.notes)),
        author="",
        lang="en",
        invariant=1,
        pagesize=page,
    )

    def foot(canvas: Canvas, document: BaseDocTemplate) -> None:
        canvas.setFont(_PLAIN, _SIZE)
        canvas.drawString(_MARGIN, _MARGIN, title)
        canvas.drawRightString(page[0] - _MARGIN, _MARGIN, f"page {document.page}")

    room = page[0] - 2 * _MARGIN, page[1] - _MARGIN - _FOOT
    frame = Frame(_MARGIN, _FOOT, *room, 0, 0, 0, 0)
    document.addPageTemplates(PageTemplate(frames=[frame], onPage=foot, pagesize=page))
    document.build([*_story(sheet, room, bands, title, shown)])
    return out.getvalue()


def _fonts() -> frozenset[int]:
    """Make the fonts known; return the characters that both have."""
    faces = []
    for name in (_PLAIN, _BOLD):
        font = TTFont(name, font_roboto.font_files[name])
        registerFont(font)
        faces.append(frozenset(font.face.charToGlyph))
    return faces[0] & faces[1]


@lru_cache(100_000)
def _length(text: str, font: str) -> float:
    """Return the width of a text, in points; most texts of a large table stand in it often."""
    length: float = stringWidth(text, font, _SIZE)
    return length


# -- widths --------------------------------------------------------------------------------


def _bands(
    sheet: Sheet, shown: Callable[[str], str]
) -> tuple[tuple[float, float], tuple[_Band, ...]]:
    """Return the paper, and the columns that stand on it side by side, page after page."""
    columns = [
        column for column in sheet.used if not (sheet.headings and column.key == sheet.parts)
    ]
    if not columns:
        return landscape(A4), ()
    columns.sort(key=lambda column: column.key != sheet.names)
    sizes = {column.key: _sizes(sheet, column, shown) for column in columns}
    least = sum(size for size, _ in _fitted(columns, sizes, shown))
    page = landscape(A4) if least <= landscape(A4)[0] - 2 * _MARGIN else landscape(A3)
    room = page[0] - 2 * _MARGIN
    names, others = columns[:1], columns[1:]
    bands = [names]
    for column in others:
        if sum(size for size, _ in _fitted([*bands[-1], column], sizes, shown)) > room:
            bands.append(list(names))
        bands[-1] = [*bands[-1], column]
    return page, tuple(
        _Band(tuple(band), _shared_out(_fitted(band, sizes, shown), room)) for band in bands
    )


def _sizes(sheet: Sheet, column: Column, shown: Callable[[str], str]) -> _Size:
    """Return the least width of a column, in which words stay whole, and the one that it likes."""
    words: set[tuple[str, str]] = set()
    upright = 0.0
    if narrow(sheet, column):
        upright = _LEADING * len(_upright(column, shown))
    else:
        words = {(word, _BOLD) for word in shown(column.heading).split()}
    font = _BOLD if column.key == sheet.names else _PLAIN
    said = {text for row in sheet.rows for text in _lines(column, row, shown)}
    for text in said:
        indent = text[: len(text) - len(text.lstrip())]
        for number, word in enumerate(text.split()):
            words.add((f"{indent}{_HANG if number else ''}{word}", font))
    least = max((_length(word, each) for word, each in words), default=0)
    likes = min(max((_length(text, font) for text in said), default=0), _LIKED)
    least = max(min(max(least, _SIZE), _WIDEST), upright) + 2 * _PADDING
    return least, max(least, likes + 2 * _PADDING)


def _fitted(
    columns: Sequence[Column], sizes: Mapping[str, _Size], shown: Callable[[str], str]
) -> list[_Size]:
    """Return the sizes of columns side by side, wide enough for the headings that they share."""
    fitted: list[_Size] = []
    for group, members in groupby(columns, key=lambda column: column.group):
        words = [_length(word, _BOLD) for word in shown(group).split()]
        some = [sizes[column.key] for column in members]
        lacking = max([0.0, *words]) + 2 * _PADDING - sum(least for least, _ in some)
        if words and lacking > 0:
            some[-1] = (some[-1][0] + lacking, some[-1][1] + lacking)
        fitted += some
    return fitted


def _shared_out(sizes: Sequence[_Size], room: float) -> Sequence[float]:
    """Return widths of columns: the least of each, and what each likes as far as there is room."""
    wanted = sum(likes - least for least, likes in sizes)
    spare = room - sum(least for least, _ in sizes)
    share = min(1.0, spare / wanted) if wanted else 0.0
    # A hair more, so that what fits to the last digit is not broken.
    return [least + (likes - least) * share + 0.01 for least, likes in sizes]


# -- contents ------------------------------------------------------------------------------


def _story(
    sheet: Sheet,
    room: tuple[float, float],
    bands: tuple[_Band, ...],
    title: str,
    shown: Callable[[str], str],
) -> Iterator[Flowable]:
    """Yield what a document is made of; ``room`` is the width and height of a page's contents."""
    text = ParagraphStyle("text", fontName=_PLAIN, fontSize=8, leading=10, spaceAfter=2)
    head = ParagraphStyle(
        "head", parent=text, fontName=_BOLD, fontSize=12, leading=15, keepWithNext=1
    )
    over = [Paragraph(escape(title), head)]
    over += [Paragraph(escape(shown(note)), text) for note in sheet.notes]
    over.append(Spacer(1, 6))
    yield from over
    taken = sum(each.wrap(*room)[1] + each.getSpaceAfter() for each in over)
    for number, band in enumerate(bands):
        if number:
            yield PageBreak()
        yield from _pages(sheet, band, (room[1] - taken, room[1]), shown)
        taken = 0.0
    legend = [column for band in bands for column in band.columns if column.sentence]
    if legend:
        yield Spacer(1, 12)
        yield Paragraph("What stands in the columns", head)
    for column in dict.fromkeys(legend):
        heading, sentence = shown(column.heading), shown(column.sentence)
        yield Paragraph(f'<font name="{_BOLD}">{escape(heading)}:</font> {escape(sentence)}', text)
    unused = unused_titles(sheet)
    if unused:
        yield Paragraph(escape(shown(f"Nothing stands under {', '.join(unused)}.")), text)


def _pages(
    sheet: Sheet, band: _Band, rooms: tuple[float, float], shown: Callable[[str], str]
) -> Iterator[Flowable]:
    """Yield a band, page by page; ``rooms`` are the heights on its first page and on others.

    Rows are put on pages here, as each one's height is known: the library's way of splitting a
    table looks at all rows that are left for every page.
    """
    style: list[tuple[object, ...]] = [
        ("FONT", (0, 0), (-1, -1), _PLAIN, _SIZE, _LEADING),
        ("FONT", (0, 0), (0, -1), _BOLD, _SIZE, _LEADING),
        ("LEFTPADDING", (0, 0), (-1, -1), _PADDING),
        ("RIGHTPADDING", (0, 0), (-1, -1), _PADDING),
        ("TOPPADDING", (0, 0), (-1, -1), 1),
        ("BOTTOMPADDING", (0, 0), (-1, -1), _CELL - 1),
        ("VALIGN", (0, 0), (-1, -1), "TOP"),
        ("GRID", (0, 0), (-1, -1), 0.4, grey),
    ]
    headings = [*_headings(sheet, band, style, shown)]
    top = len(headings)
    style += [
        ("FONT", (0, 0), (-1, top - 1), _BOLD, _SIZE, _LEADING),
        ("VALIGN", (0, top - 1), (-1, top - 1), "BOTTOM"),
        ("BACKGROUND", (0, 0), (-1, top - 1), HexColor(0xEEEEEE)),
        ("LINEBELOW", (0, top - 1), (-1, top - 1), 0.8, black),
    ]
    heights = [max(map(_height, row)) for row in headings]
    free = rooms[1] - sum(heights)
    most = max(int((free - _CELL) / _LEADING), 1)
    pages: list[list[_Line]] = [[]]
    left = rooms[0] - sum(heights)
    for line in _rows(sheet, band, most, shown):
        if line.height > left:
            pages.append([])
            left = free
        pages[-1].append(line)
        left -= line.height
    for number, lines in enumerate(pages):
        if number:
            yield PageBreak()
        own = list(style)
        for at, line in enumerate(lines, top):
            if line.first:
                own.append(("LINEABOVE", (0, at), (-1, at), 0.8, black))
            if line.across:
                own.append(("SPAN", (0, at), (-1, at)))
        if lines or len(pages) == 1:
            yield Table(
                [*headings, *(line.cells for line in lines)],
                colWidths=list(band.widths),
                rowHeights=[*heights, *(line.height for line in lines)],
                style=TableStyle(own),
                hAlign="LEFT",
            )


@frozen
class _Line:
    """A row of the printed table: of a sheet's row, or a part of one, or a heading across."""

    cells: list[object]
    first: bool
    """Whether it is the first of those that belong together."""
    across: bool = False

    @property
    def height(self) -> float:
        """Its height in points."""
        return max(map(_height, self.cells))


def _rows(sheet: Sheet, band: _Band, most: int, shown: Callable[[str], str]) -> Iterator[_Line]:
    """Yield the rows under the headings; ``most`` is how many lines of text a page has room for."""
    for part, rows in groupby(sheet.rows, key=lambda row: row[sheet.parts]):
        first = True
        if sheet.headings:
            over = _wrapped(shown(sheet.headings[str(part)]), _BOLD, sum(band.widths))
            yield _Line(["\n".join(over), *[""] * (len(band.columns) - 1)], first, across=True)
            first = False
        for row in rows:
            for cells in _cells(sheet, band, row, most, shown):
                yield _Line(cells, first)
                first = False


def _headings(
    sheet: Sheet, band: _Band, style: list[tuple[object, ...]], shown: Callable[[str], str]
) -> Iterator[list[object]]:
    """Yield the rows of headings, and add how they look."""
    groups = [(group, len(list(some))) for group, some in groupby(c.group for c in band.columns)]
    if any(group for group, _ in groups):
        ends = accumulate(count for _, count in groups)
        over: list[object] = []
        for (group, count), end in zip(groups, ends, strict=True):
            style.append(("SPAN", (end - count, 0), (end - 1, 0)))
            width = sum(band.widths[end - count : end])
            over += ["\n".join(_wrapped(shown(group), _BOLD, width)), *[""] * (count - 1)]
        yield over
    yield [
        _Upright(_upright(column, shown))
        if narrow(sheet, column)
        else "\n".join(_wrapped(shown(column.heading), _BOLD, width))
        for column, width in zip(band.columns, band.widths, strict=True)
    ]


def _upright(column: Column, shown: Callable[[str], str]) -> list[str]:
    return _wrapped(shown(column.heading), _BOLD, _TALLEST)


def _height(cell: object) -> float:
    if isinstance(cell, _Upright):
        return cell.wrap(0, 0)[1] + _CELL
    return _LEADING * (str(cell).count("\n") + 1) + _CELL


def _cells(
    sheet: Sheet, band: _Band, row: Row, most: int, shown: Callable[[str], str]
) -> Iterator[list[object]]:
    """Yield a row of the table; where it is taller than a page, several, each with its name."""
    cells = []
    for column, width in zip(band.columns, band.widths, strict=True):
        font = _BOLD if column.key == sheet.names else _PLAIN
        lines = [
            line
            for text in _lines(column, row, shown)
            for line in _wrapped(text, font, width, _HANG)
        ]
        cells.append(lines)
    for start in range(0, max(1, *map(len, cells)), most):
        yield [
            "\n".join(lines[:most] if column.key == sheet.names else lines[start : start + most])
            for column, lines in zip(band.columns, cells, strict=True)
        ]


def _lines(column: Column, row: Row, shown: Callable[[str], str]) -> tuple[str, ...]:
    value = row[column.key]
    if isinstance(value, Expression):
        return tuple(map(shown, value.lines("")))
    said = tuple(map(shown, texts(column, value)))
    return said if len(said) <= _LIST else (", ".join(said),)


def _wrapped(text: str, font: str, width: float, hang: str = "") -> list[str]:
    """Return the lines of a text in a column."""
    room = width - 2 * _PADDING
    if _length(text, font) <= room:
        return [text]
    indent = text[: len(text) - len(text.lstrip())]
    lines: list[str] = []
    line = indent
    for word in text.split():
        longer = f"{line} {word}" if line.strip() else f"{line}{word}"
        if _length(longer, font) > room and line.strip():
            lines.append(line)
            longer = f"{indent}{hang}{word}"
        line = longer
        while _length(line, font) > room:
            fits = _fitting(line, font, room, len(indent) + len(hang) + 1)
            if fits == len(line):
                break
            lines.append(line[:fits])
            line = f"{indent}{hang}{line[fits:]}"
    return [*lines, line]


def _fitting(line: str, font: str, room: float, least: int) -> int:
    """Return how many letters of a line have room; ``least`` of them, whatever the room."""
    count = min(least, len(line))
    while count < len(line) and _length(line[: count + 1], font) <= room:
        count += 1
    return count


class _Upright(Flowable):  # type: ignore[misc] # reportlab has no types
    """A heading that is read from below, over a narrow column."""

    def __init__(self, lines: list[str]) -> None:
        super().__init__()
        self.lines = lines

    def wrap(self, _width: float, _height: float) -> tuple[float, float]:
        """Return the width and the height that it takes, in points."""
        longest = max(_length(line, _BOLD) for line in self.lines)
        return _LEADING * len(self.lines), longest + 2

    def draw(self) -> None:
        """Draw it from the lower left corner of its place."""
        self.canv.setFont(_BOLD, _SIZE)
        self.canv.rotate(90)
        for number, line in enumerate(self.lines):
            self.canv.drawString(1, -_SIZE - number * _LEADING, line)
