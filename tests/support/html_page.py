"""A page as a browser reads it."""

from __future__ import annotations

from html.parser import HTMLParser

EMPTY = {"meta", "img", "br", "hr", "link", "input"}


class Page(HTMLParser):
    """Tags with attributes, ids, nesting, and the text a reader sees."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.open: list[str] = []
        self.text = ""
        self.feed(text)
        self.close()

    def handle_starttag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))
        if tag not in EMPTY:
            self.open.append(tag)

    def handle_endtag(self, tag):
        assert self.open.pop() == tag

    def handle_data(self, data):
        if not {"style", "script"} & set(self.open):
            self.text += data + " "

    def all(self, name):
        return [attrs for tag, attrs in self.tags if tag == name]

    def fetched(self):
        """Addresses that are neither inside the page nor inside the file."""
        links = [attrs.get(name) for _, attrs in self.tags for name in ("src", "href", "action")]
        return [link for link in links if link is not None and not link.startswith(("#", "data:"))]
