"""The documentation site before it is made: every public name has its place, and every link leads somewhere.

`cargo xtask docs` makes the site, runs its examples and checks the finished pages. That takes minutes. What can be told from
the sources alone is told here.
"""
import ast
import re
import subprocess
import sys

import pytest

from conftest import ROOT

SITE = ROOT / "docs/site"
DIRECTIVE = re.compile(r"^\.\. (auto\w+|currentmodule):: (\S+)$", re.MULTILINE)
LINK = re.compile(r"\]\(([^)\s]+)\)")
# `target/site` gets these from clap and from rustdoc.
GENERATED = ("reference/command/", "rust/")


def public(path):
    """The names in a module's `__all__`."""
    for node in ast.parse(path.read_text(encoding="utf-8")).body:
        if isinstance(node, ast.Assign) and [t.id for t in node.targets if isinstance(t, ast.Name)] == ["__all__"]:
            return ast.literal_eval(node.value)
    raise AssertionError(f"{path} has no __all__")


@pytest.fixture(scope="module")
def c_pages(tmp_path_factory):
    """The pages of the C library, made from the header as the site makes them."""
    sys.path.insert(0, str(SITE))
    try:
        import c_reference
    finally:
        sys.path.remove(str(SITE))
    folder = tmp_path_factory.mktemp("c")
    c_reference.write(ROOT / "bindings/c/include/coeval.h", folder)
    return {f"reference/c/{page.name}": page.read_text(encoding="utf-8") for page in folder.glob("*.md")}


def test_every_name_of_python_has_its_place():
    package, found = ROOT / "bindings/python/python/coeval", []
    for page in sorted((SITE / "reference").glob("*.md")):
        module = ""
        for kind, name in DIRECTIVE.findall(page.read_text(encoding="utf-8")):
            if kind == "currentmodule":
                module = name
            elif kind == "automodule":
                found += [f"{name}.{member}" for member in public(package / f"{name.partition('.')[2]}.py")]
            else:
                found.append(f"{module}.{name}")
    wanted = [f"coeval.{name}" for name in public(package / "__init__.py")]
    wanted += [f"coeval.batch.{name}" for name in public(package / "batch.py")]
    assert len(wanted) > 60 and sorted(found) == sorted(set(found))
    assert set(wanted) <= set(found), sorted(set(wanted) - set(found))


def test_every_name_of_c_has_its_place(c_pages):
    names = re.findall(r"\{c:\w+\} (.*)", "\n".join(c_pages.values()))
    there = {word for declared in names for word in re.findall(r"\w+", declared)}
    wanted = {n for n in (ROOT / "bindings/c/interface-x86_64.txt").read_text().split() if n.startswith("coeval_")}
    wanted |= set(re.findall(r"^    (COEVAL_\w+) = ", (ROOT / "bindings/c/include/coeval.h").read_text(), re.MULTILINE))
    assert len(wanted) > 200 and wanted <= there, sorted(wanted - there)


def test_links_of_the_site_lead_somewhere(c_pages):
    tracked = subprocess.run(["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=True).stdout.split("\n")
    # What lies in docs/site goes to the top; all else keeps its place.
    places = {name.removeprefix("docs/site/"): name for name in tracked if name}
    pages = {place: ROOT / name for place, name in places.items() if name.startswith("docs/site/") and name.endswith(".md")}
    texts = {place: path.read_text(encoding="utf-8") for place, path in pages.items()} | c_pages
    links = [(place, link) for place, text in texts.items() for link in LINK.findall(text) if ":" not in link]
    assert len(links) > 25
    for page, link in links:
        target, _, heading = link.partition("#")
        parts = [] if not target else page.split("/")[:-1]
        for part in target.split("/") if target else page.split("/"):
            parts = parts[:-1] if part == ".." else [*parts, part]
        place = "/".join(parts)
        if place.startswith(GENERATED):
            continue
        assert place in places or place in c_pages, f"{page}: {link}"
        if heading:
            text = texts.get(place) or (ROOT / places[place]).read_text(encoding="utf-8")
            titles = re.findall(r"^#+ (.+)$", text, re.MULTILINE)
            slugs = [re.sub(r"[^\w\- ]", "", title.lower()).replace(" ", "-") for title in titles]
            assert heading in slugs, f"{page}: {link}: no such place"
