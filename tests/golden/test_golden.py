"""The printed documents are as they were; what changed is to be read in their diff."""

from __future__ import annotations

import pytest

from tests.golden.__main__ import FOLDER, documents

DOCUMENTS = dict(documents())


@pytest.mark.parametrize("name", DOCUMENTS)
def test_a_document_is_as_it_was(name: str) -> None:
    """Where a change is meant: ``python -m tests.golden``, and read the diff."""
    assert DOCUMENTS[name] == (FOLDER / name).read_text("utf-8")


def test_no_document_is_left_over() -> None:
    kept = {path.name for path in FOLDER.iterdir() if path.suffix in (".txt", ".csv", ".html")}
    assert kept == set(DOCUMENTS)


def test_text_fits_a_terminal_of_80_columns() -> None:
    for name, text in DOCUMENTS.items():
        if name.endswith(".txt") and "equations" not in name:
            assert max(len(line) for line in text.splitlines()) <= 80
