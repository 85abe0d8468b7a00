"""The page: whole, valid, and with nothing of the user's taken for markup."""

from __future__ import annotations

from html.parser import HTMLParser

import pytest
from attrs import evolve

from signalling.table.equations import equations
from signalling.table.expression import Expression
from signalling.table.load import load_table
from signalling.table.present import control_table
from signalling.table.sheet import Column, Row, Sheet, texts
from signalling.table.sheet_html import as_html
from tests.golden.__main__ import LAYOUTS

VOID = {"meta"}
NASTY = "<script>alert('x')</script> & \"q\" </td> ]]> <!-- \x00\x1b"


class Page(HTMLParser):
    """Gathers the rows of a page's table, and checks that every tag is closed in its place."""

    def __init__(self, text: str) -> None:
        super().__init__(convert_charrefs=True)
        self.open: list[str] = []
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.head: list[list[str]] = []
        self.rows: list[list[str]] = []
        self.text = ""
        self.feed(text)
        self.close()
        assert not self.open

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        if tag not in VOID:
            self.open.append(tag)
        rows = self.head if "thead" in self.open else self.rows
        if tag == "tr":
            rows.append([])
        if tag in ("td", "th"):
            rows[-1].append("")
        if tag == "li" and rows[-1][-1]:
            rows[-1][-1] += "\n"

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        self.text += data
        if "td" in self.open or "th" in self.open:
            (self.head if "thead" in self.open else self.rows)[-1][-1] += data

    def handle_decl(self, decl: str) -> None:
        assert decl == "DOCTYPE html"

    def handle_comment(self, data: str) -> None:
        pytest.fail(f"a comment: {data!r}")


def nasty_sheet() -> Sheet:
    columns = (
        Column(key="name", title="Name", sentence=NASTY, group=NASTY),
        Column(key="many", title=NASTY, sentence="It is so.", between=NASTY),
        Column(key="is", title="Is", sentence="It is so."),
    )
    rows: tuple[Row, ...] = (
        {"name": NASTY, "many": {NASTY: NASTY, "k": "v"}, "is": Expression(NASTY)},
        {"name": "two", "many": (NASTY, "x"), "is": None},
    )
    return Sheet(
        kind="kind",
        layout=NASTY,
        practice="uk",
        title=NASTY,
        notes=(NASTY,),
        columns=columns,
        names="name",
        parts="name",
        headings={},
        rows=rows,
    )


@pytest.mark.parametrize("layout", LAYOUTS, ids=lambda path: path.stem)
def test_every_route_and_every_cell_is_there(layout: str) -> None:
    sheet = control_table(load_table(layout))
    page = Page(as_html(sheet))
    used = sheet.used
    assert page.head[-1] == [column.heading for column in used]
    assert page.rows == [
        ["\n".join(texts(column, row[column.key])) for column in used] for row in sheet.rows
    ]
    for column in used:
        assert column.sentence in page.text


def test_every_equation_is_there() -> None:
    sheet = equations(load_table(LAYOUTS[0]))
    page = Page(as_html(sheet))
    cells = [row for row in page.rows if len(row) > 1]
    expressions = [row["is"] for row in sheet.rows]
    assert [row[0] for row in cells] == [row["name"] for row in sheet.rows]
    assert [row[1] for row in cells] == [
        "\n".join(each.lines("")) for each in expressions if isinstance(each, Expression)
    ]
    assert [row for row in page.rows if len(row) == 1] == [
        [heading] for heading in sheet.headings.values()
    ]


def test_nothing_of_the_users_is_taken_for_markup() -> None:
    page = Page(as_html(nasty_sheet()))
    assert {tag for tag, _ in page.tags} <= {
        *("html", "head", "meta", "title", "style", "body", "h1", "h2", "p", "div", "span"),
        *("table", "thead", "tbody", "tr", "th", "td", "ul", "li", "pre", "dl", "dt", "dd"),
    }
    assert page.text.count("<script>alert('x')</script>") >= 9
    assert "\x1b" not in page.text
    assert "\x00" not in page.text


def test_attributes_hold_nothing_of_the_users() -> None:
    known = {"lang", "charset", "name", "content", "scope", "colspan", "class"}
    for _, attributes in Page(as_html(nasty_sheet())).tags:
        assert set(attributes) <= known
        assert all(value is not None and "alert" not in value for value in attributes.values())


def test_the_page_fetches_nothing() -> None:
    text = as_html(control_table(load_table(LAYOUTS[-1])))
    for word in ("http", "src=", "href", "url(", "@import", "<script", "<link"):
        assert word not in text


def test_rows_and_columns_are_marked_as_such() -> None:
    sheet = control_table(load_table(LAYOUTS[-1]))
    tags = Page(as_html(sheet)).tags
    scopes = [attributes.get("scope") for tag, attributes in tags if tag == "th"]
    assert scopes.count("row") == len(sheet.rows)
    assert scopes.count("col") == len(sheet.used)
    spans = [int(attributes["colspan"] or 0) for _, attributes in tags if "colspan" in attributes]
    assert sum(spans) == len(sheet.used)


def test_columns_that_are_left_out_are_named() -> None:
    sheet = control_table(load_table(LAYOUTS[0]))
    page = Page(as_html(sheet))
    assert "Nothing stands under Controlled, Second head, Indicator, " in page.text


def test_a_sheet_without_rows_is_a_page_too() -> None:
    Page(as_html(evolve(nasty_sheet(), rows=())))
