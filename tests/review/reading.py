"""Reads an HTML page into a small tree, with the standard library's parser."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from html.parser import HTMLParser

VOID = frozenset({"meta", "img", "br", "link", "input", "hr"})


@dataclass
class Node:
    """An element: its attributes, its children in order (elements and text)."""

    tag: str
    attrs: dict[str, str]
    children: list[Node | str] = field(default_factory=list)

    @property
    def text(self) -> str:
        """The text inside, white space folded."""
        parts = (child if isinstance(child, str) else child.text for child in self.children)
        return " ".join(" ".join(parts).split())

    def all(self, tag: str | None = None, **attrs: str) -> Iterator[Node]:
        """Elements below, in order, with this tag, and these attributes (``class_`` matches one of the classes)."""
        for child in self.children:
            if isinstance(child, Node):
                if (tag is None or child.tag == tag) and all(child.has(k, v) for k, v in attrs.items()):
                    yield child
                yield from child.all(tag, **attrs)

    def has(self, key: str, value: str) -> bool:
        """Whether an attribute has this value."""
        if key == "class_":
            return value in self.attrs.get("class", "").split()
        return self.attrs.get(key) == value

    def one(self, tag: str | None = None, **attrs: str) -> Node:
        """The only such element."""
        found = list(self.all(tag, **attrs))
        assert len(found) == 1, (tag, attrs, len(found))
        return found[0]


class Page(HTMLParser):
    """A parsed page; ``faults`` are tags that do not match."""

    def __init__(self) -> None:
        super().__init__()
        self.root = Node("", {})
        self.faults: list[str] = []
        self._open = [self.root]

    @classmethod
    def of(cls, html: str) -> Page:
        """Parse a whole page."""
        page = cls()
        page.feed(html)
        page.close()
        page.faults += [f"never closed: {node.tag}" for node in page._open[1:]]
        return page

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        node = Node(tag, {key: value or "" for key, value in attrs})
        self._open[-1].children.append(node)
        if tag not in VOID:
            self._open.append(node)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self._open[-1].children.append(Node(tag, {key: value or "" for key, value in attrs}))

    def handle_endtag(self, tag: str) -> None:
        if self._open[-1].tag == tag:
            self._open.pop()
        else:
            self.faults.append(f"</{tag}> closes <{self._open[-1].tag}>")

    def handle_data(self, data: str) -> None:
        self._open[-1].children.append(data)
