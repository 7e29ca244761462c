"""What a page in HTML shows, without its markup."""

from __future__ import annotations

from html.parser import HTMLParser


class _Page(HTMLParser):
    """Collects the texts of a page; what styles it is none."""

    def __init__(self) -> None:
        super().__init__()
        self.lines: list[str] = []
        self._unseen = False

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self._unseen = tag in ("style", "script")

    def handle_endtag(self, tag: str) -> None:
        self._unseen = False

    def handle_data(self, data: str) -> None:
        if not self._unseen:
            self.lines.append(data)


def lines_of(html: str) -> list[str]:
    """The texts of a page in their order.

    Args:
        html: the page.
    """
    page = _Page()
    page.feed(html)
    return page.lines
