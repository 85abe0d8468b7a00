"""Tables as PDF: whole, readable, on paper of a usual size, and the same every time."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from io import BytesIO
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pypdf import PageObject, PdfReader
from reportlab.pdfbase.pdfmetrics import stringWidth

from signalling.cli import GOOD, UNUSABLE, main
from signalling.cli.pdf import _bands, _fonts, _wrapped, as_pdf
from signalling.table.equations import equations
from signalling.table.expression import Expression
from signalling.table.load import load_table
from signalling.table.matrix import conflict_matrix
from signalling.table.present import control_table
from signalling.table.sheet import Column, Sheet, texts
from tests.golden.__main__ import LAYOUTS
from tests.rig import ring_text, table_from
from tests.table.test_sheet_html import nasty_sheet

ROOT = Path(__file__).parents[2]
JUNCTION = str(ROOT / "examples" / "junction.toml")
STATIONS = sorted((ROOT / "tests" / "stations").glob("*.toml"))
MM = 72 / 25.4
SHEETS = [
    *(control_table(load_table(layout)) for layout in (*LAYOUTS, *STATIONS)),
    *(conflict_matrix(load_table(layout)) for layout in (LAYOUTS[-1], *STATIONS)),
    equations(load_table(LAYOUTS[0])),
]


def pages(document: bytes) -> list[PageObject]:
    return list(PdfReader(BytesIO(document)).pages)


def said(document: bytes) -> str:
    """Return all that stands in a document, without spaces and breaks."""
    return "".join("".join(page.extract_text() for page in pages(document)).split())


def sheet(*rows: tuple[str, ...], columns: int = 2, **options: object) -> Sheet:
    keys = [f"c{number}" for number in range(columns)]
    return Sheet(
        kind="kind",
        layout="Layout",
        practice="uk",
        title="Title",
        notes=(),
        columns=tuple(
            Column(key=key, title=key.upper(), sentence="It is so.", group="Group") for key in keys
        ),
        names="c0",
        parts="c0",
        headings={},
        rows=tuple(dict(zip(keys, row, strict=True)) for row in rows),
        **options,  # type: ignore[arg-type]
    )


@pytest.mark.parametrize("shown", SHEETS, ids=lambda each: f"{each.layout} {each.kind}")
def test_every_cell_is_there_on_paper_of_a_usual_size(shown: Sheet) -> None:
    document = as_pdf(shown)
    text = said(document)
    for page in pages(document):
        size = (round(page.mediabox.width / MM), round(page.mediabox.height / MM))
        assert size in ((297, 210), (420, 297))
    for row in shown.rows:
        for column in shown.used:
            value = row[column.key]
            if column.key == shown.parts and shown.headings:
                continue
            lines = value.lines("") if isinstance(value, Expression) else texts(column, value)
            for line in lines:
                assert "".join(line.split()) in text
    for column in shown.used:
        if not (shown.headings and column.key == shown.parts):
            assert "".join(column.heading.split()) in text
    for heading in shown.headings.values():
        assert "".join(heading.split()) in text


def starts(page: PageObject) -> list[tuple[float, float]]:
    """Return where the texts of a page begin, in points from its lower left corner."""
    found = []

    def note(text: str, by: list[float], at: list[float], *_: object) -> None:
        if text.strip():
            x, y = at[4], at[5]
            found.append((x * by[0] + y * by[2] + by[4], x * by[1] + y * by[3] + by[5]))

    page.extract_text(visitor_text=note)
    return found


@pytest.mark.parametrize("shown", SHEETS, ids=lambda each: f"{each.layout} {each.kind}")
def test_nothing_stands_beyond_the_paper(shown: Sheet) -> None:
    for page in pages(as_pdf(shown)):
        width, height = page.mediabox.width, page.mediabox.height
        for x, y in starts(page):
            assert 9 * MM < x < width - 9 * MM
            assert 9 * MM < y < height - 9 * MM
    page_size, bands = _bands(shown, str)
    for band in bands:
        assert sum(band.widths) <= page_size[0] - 20 * MM + 0.5


@given(
    st.text(st.sampled_from("aW .,>é"), max_size=80).map(str.strip),
    st.floats(20, 200),
    st.sampled_from(["", "  "]),
)
def test_a_text_is_broken_so_that_every_line_fits(text: str, width: float, hang: str) -> None:
    _fonts()
    lines = _wrapped(text, "Roboto", width, hang)
    assert "".join("".join(lines).split()) == "".join(text.split())
    assert all(stringWidth(line, "Roboto", 7) <= width - 5 for line in lines)


def test_headings_stand_on_every_page() -> None:
    document = as_pdf(sheet(*((f"row{number}", "x") for number in range(200))))
    found = [page.extract_text() for page in pages(document)]
    assert len(found) > 2
    for text in found[:-1]:
        assert "C0" in text
        assert "Group" in text
    assert all(f"row{number}" in "".join(found) for number in range(200))


def test_a_wide_table_goes_on_beside_itself_with_the_names_of_its_rows() -> None:
    word = "x" * 30
    document = as_pdf(sheet(("name0", *[word] * 29), ("name1", *[word] * 29), columns=30))
    found = [page.extract_text() for page in pages(document)]
    assert len(found) > 1
    assert all("name0" in text and "name1" in text for text in found if word in text)
    assert "".join(found).count(word) == 58
    assert [page.mediabox.width > 300 * MM for page in pages(document)] == [True] * len(found)


def test_a_row_that_is_taller_than_a_page_goes_on_with_its_name() -> None:
    lines = tuple(f"line{number} " + "x" * 400 for number in range(300))
    document = as_pdf(
        Sheet(
            kind="kind",
            layout="Layout",
            practice="uk",
            title="Title",
            notes=(),
            columns=(
                Column(key="name", title="Name", sentence="It is so."),
                Column(key="many", title="Many", sentence="It is so."),
            ),
            names="name",
            parts="name",
            headings={},
            rows=({"name": "tall", "many": lines},),
        )
    )
    found = [page.extract_text() for page in pages(document)]
    holding = [text for text in found if "line" in text]
    assert len(holding) > 3
    assert all("tall" in text for text in holding)
    assert [int(each) for each in re.findall(r"line(\d+)", "".join(found))] == list(range(300))


def test_a_word_without_room_is_broken_and_none_of_it_lost() -> None:
    word = "".join(f"{number:04}" for number in range(100))
    assert word in said(as_pdf(sheet(("name", word))))


def test_nothing_of_the_users_steers_the_document() -> None:
    text = said(as_pdf(nasty_sheet()))
    assert text.count("<script>alert('x')</script>&\"q\"</td>]]><!--") >= 9


def test_letters_of_europe_are_shown_and_others_as_their_numbers() -> None:
    text = said(as_pdf(sheet(("Möwe Łódź λψδ Джюж", "雨 ✓"))))
    assert "MöweŁódźλψδДжюж" in text
    assert "\\u96e8\\u2713" in text


def test_its_text_is_text_in_fonts_that_it_brings() -> None:
    document = as_pdf(SHEETS[0])
    page = pages(document)[0]
    assert not page.images
    fonts = [font.get_object() for font in page["/Resources"]["/Font"].values()]  # type: ignore[index]
    brought = {font["/BaseFont"].partition("+")[2] for font in fonts if "/FontDescriptor" in font}
    assert brought == {"Roboto-Regular", "Roboto-Bold"}


def test_a_sheet_without_rows_is_a_document_too() -> None:
    assert "Layout:title" in said(as_pdf(sheet()))


# -- the command ----------------------------------------------------------------------------


@pytest.mark.parametrize("options", [[], ["--conflicts"], ["--equations"]])
def test_a_file_of_that_ending_is_a_pdf(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], options: list[str]
) -> None:
    for name in ("table.pdf", "table.PDF"):
        path = tmp_path / name
        assert main(["table", JUNCTION, *options, "--output", str(path)]) == GOOD
        assert capsys.readouterr().out == f"Wrote {path}.\n"
        assert path.read_bytes().startswith(b"%PDF-")
    path = tmp_path / "other.name"
    assert main(["table", JUNCTION, *options, "--format", "pdf", "--output", str(path)]) == GOOD
    assert path.read_bytes() == (tmp_path / "table.pdf").read_bytes()


def test_a_pdf_is_not_printed(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["table", JUNCTION, "--format", "pdf"]) == UNUSABLE
    said = capsys.readouterr()
    assert said.out == ""
    assert said.err == (
        "signalling: table: A PDF is not text to print. Give --output and the file to write.\n"
    )


def test_without_its_library_a_pdf_says_what_to_install(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.delitem(sys.modules, "signalling.cli.pdf", raising=False)
    for name in [name for name in sys.modules if name.partition(".")[0] == "reportlab"]:
        monkeypatch.setitem(sys.modules, name, None)
    path = tmp_path / "table.pdf"
    assert main(["table", JUNCTION, "--output", str(path)]) == UNUSABLE
    assert "pip install 'layout-signalling[pdf]'" in capsys.readouterr().err
    assert not path.exists()
    assert main(["table", JUNCTION, "--output", str(tmp_path / "table.html")]) == GOOD


@pytest.mark.real_time
def test_every_run_writes_the_same_bytes(tmp_path: Path) -> None:
    written = set()
    for seed, zone in (("1", "UTC"), ("2", "Asia/Tokyo")):
        path = tmp_path / "table.pdf"
        subprocess.run(
            [sys.executable, "-m", "signalling", "table", JUNCTION, "--output", str(path)],
            env={**os.environ, "PYTHONHASHSEED": seed, "TZ": zone},
            check=True,
            capture_output=True,
            cwd=ROOT,
        )
        written.add(path.read_bytes())
    assert len(written) == 1
    document = written.pop()
    assert b"CreationDate (D:2000" in document
    assert str(tmp_path).encode() not in document


def test_the_library_is_loaded_for_a_pdf_only() -> None:
    code = (
        "import sys; from signalling.cli import main; "
        f"main(['table', {JUNCTION!r}]); sys.exit('reportlab' in sys.modules)"
    )
    subprocess.run([sys.executable, "-c", code], check=True, capture_output=True, cwd=ROOT)


def test_a_name_of_a_layout_stands_on_every_page() -> None:
    table = table_from(ring_text([4, 3, 3]))
    for page in pages(as_pdf(equations(table))):
        assert "Ring: equations" in page.extract_text()
