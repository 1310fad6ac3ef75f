"""Follow every link between the built pages, anchors included: ``python docs/check_links.py docs/_build/html``."""

import sys
from functools import cache
from html.parser import HTMLParser
from pathlib import Path
from urllib.parse import unquote, urlsplit

MADE_BY_OTHERS = ("rust", "_static")


class Page(HTMLParser):
    """What a page links to, and the anchors that it has."""

    def __init__(self) -> None:
        super().__init__()
        self.links: list[str] = []
        self.anchors: set[str] = set()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """Keep links and anchors."""
        for name, value in attrs:
            if value is not None and name in ("href", "src"):
                self.links.append(value)
            elif value is not None and (name == "id" or (tag == "a" and name == "name")):
                self.anchors.add(value)


@cache
def read(path: Path) -> Page:
    """Read a page once."""
    page = Page()
    page.feed(path.read_text(encoding="utf-8"))
    return page


def broken(root: Path) -> list[str]:
    """List links that lead nowhere; those to other hosts are not followed."""
    wrong = []
    for path in sorted(root.rglob("*.html")):
        if path.relative_to(root).parts[0] in MADE_BY_OTHERS:
            continue
        for link in read(path).links:
            parts = urlsplit(link)
            if parts.scheme or parts.netloc:
                continue
            target = (path.parent / unquote(parts.path)).resolve() if parts.path else path
            if not target.exists():
                wrong.append(f"{path.relative_to(root)}: {link} leads nowhere")
            elif parts.fragment and target.suffix == ".html" and unquote(parts.fragment) not in read(target).anchors:
                wrong.append(f"{path.relative_to(root)}: {link} names no anchor of that page")
    return wrong


if __name__ == "__main__":
    found = broken(Path(sys.argv[1]).resolve())
    print(*found, sep="\n", end="\n" if found else "")
    sys.exit(bool(found))
