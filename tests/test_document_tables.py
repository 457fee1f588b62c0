"""What the pages say about permits and alarms is what the code does."""

import pytest

from tests.document_tables import DOCS, TABLES, render


@pytest.mark.parametrize("page", TABLES)
def test_the_tables_in_the_docs_are_current(page: str) -> None:
    """Run ``python -m tests.document_tables`` after changing a rule or an alarm."""
    text = (DOCS / page).read_text(encoding="utf-8")

    assert render(text, TABLES[page]) == text


def test_a_page_without_its_markers_is_noticed() -> None:
    """A table cannot be lost silently."""
    with pytest.raises(ValueError, match="has no"):
        render("# nothing here", TABLES["permits.md"])
