"""What a test reads out of a page: its form token, its table, its words."""

from __future__ import annotations

import re
from html.parser import HTMLParser


def form_token(page: str) -> str:
    found = re.search(r'name="csrf_token" value="([^"]+)"', page)
    assert found, "the page has no form token"
    return found.group(1)


def table_rows(page: str) -> list[list[str]]:
    """Return the cells of the page's one table, heading first."""
    reader = _TableReader()
    reader.feed(page)
    return reader.rows


class _TableReader(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.rows: list[list[str]] = []
        self._cell: list[str] | None = None

    def handle_starttag(self, tag: str, attrs: object) -> None:  # noqa: ARG002 - the parser calls it so
        if tag == "tr":
            self.rows.append([])
        if tag in {"th", "td"}:
            self._cell = []

    def handle_data(self, data: str) -> None:
        if self._cell is not None:
            self._cell.append(data)

    def handle_endtag(self, tag: str) -> None:
        if tag in {"th", "td"} and self._cell is not None:
            self.rows[-1].append(" ".join("".join(self._cell).split()))
            self._cell = None


def form_values(page: str, holding: str) -> dict[str, str]:
    """Return what the page's form that has this field would send as it stands."""
    reader = _FormReader()
    reader.feed(page)
    found = [form for form in reader.forms if holding in form]
    assert len(found) == 1, f"{len(found)} forms have a field {holding}"
    return found[0]


class _FormReader(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.forms: list[dict[str, str]] = []
        self._select = ""

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        held = {name: value or "" for name, value in attrs}
        if tag == "form":
            self.forms.append({})
        elif tag == "input" and self.forms:
            self.forms[-1][held["name"]] = held.get("value", "")
        elif tag == "select":
            self._select = held["name"]
        elif tag == "option" and self._select:
            is_chosen = "selected" in held or self._select not in self.forms[-1]
            if is_chosen:
                self.forms[-1][self._select] = held["value"]

    def handle_endtag(self, tag: str) -> None:
        if tag == "select":
            self._select = ""
