"""Checks the finished site: every public symbol has its place, and every link leads somewhere.

usage: python check.py SITE
"""

from __future__ import annotations

import re
import sys
from html.parser import HTMLParser
from pathlib import Path
from urllib.parse import unquote, urlsplit

from sphinx.util.inventory import InventoryFile

import coeval
import coeval.batch

ROOT = Path(__file__).resolve().parents[2]


class Page(HTMLParser):
    """Where a page's links lead, and the places in it that links may name."""

    def __init__(self, path: Path) -> None:
        super().__init__()
        self.links: list[str] = []
        self.places: set[str] = set()
        self.feed(path.read_text(encoding="utf-8"))

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        for name, value in attrs:
            if value and (name in ("href", "src") or (name == "action" and tag == "form")):
                self.links.append(value)
            elif value and name in ("id", "name"):
                self.places.add(value)


def broken_links(site: Path) -> tuple[int, list[str]]:
    """How many links lead to the site itself, and those that lead nowhere."""
    pages = {path: Page(path) for path in sorted(site.rglob("*.html"))}
    count, broken = 0, []
    for path, page in pages.items():
        # What rustdoc writes it has checked itself; the theme's templates are no pages.
        for link in page.links if path.relative_to(site).parts[0] not in ("rust", "_static") else ():
            parts = urlsplit(link)
            if parts.scheme in ("http", "https", "mailto", "data", "javascript") or parts.netloc:
                continue
            count += 1
            to = (path.parent / unquote(parts.path)).resolve() if parts.path else path
            to = to / "index.html" if to.is_dir() else to
            place = unquote(parts.fragment)
            if not to.is_file():
                broken.append(f"{path.relative_to(site)}: {link}")
            elif place and to in pages and place not in pages[to].places:
                broken.append(f"{path.relative_to(site)}: {link}: no such place")
    return count, broken


def missing_symbols(site: Path) -> tuple[int, list[str]]:
    """How many public names there are, and those without a place in the site."""
    inventory = InventoryFile.loads((site / "objects.inv").read_bytes(), uri="").data
    there = {name for kind, names in inventory.items() if kind.startswith(("py:", "c:")) for name in names}
    wanted = {f"coeval.{name}" for name in coeval.__all__} | {f"coeval.batch.{name}" for name in coeval.batch.__all__}
    interface = (ROOT / "bindings/c/interface-x86_64.txt").read_text(encoding="utf-8").split()
    wanted |= {name for name in interface if name.startswith("coeval_")}
    header = (ROOT / "bindings/c/include/coeval.h").read_text(encoding="utf-8")
    wanted |= set(re.findall(r"^    (COEVAL_\w+) = ", header, re.MULTILINE))
    return len(wanted), sorted(wanted - there)


def main(site: Path) -> int:
    links, broken = broken_links(site)
    symbols, missing = missing_symbols(site)
    for line in [*(f"leads nowhere: {b}" for b in broken), *(f"has no page: {m}" for m in missing)]:
        print(line, file=sys.stderr)
    print(f"{links} links, {len(broken)} broken; {symbols} public names of Python and C, {len(missing)} without a page")
    return 0 if links > 1000 and symbols > 300 and not broken and not missing else 1


if __name__ == "__main__":
    sys.exit(main(Path(sys.argv[1]).resolve()))
