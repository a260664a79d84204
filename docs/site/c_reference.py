"""The reference of the C library: one page for each section of `coeval.h`, in the header's own order.

The header is made by `cargo xtask header` and has one layout: sections, and in them items, each after its comment.
"""

from __future__ import annotations

import re
from pathlib import Path

SECTION = re.compile(r"^/\* ---- (.+?) -+ \*/$", re.MULTILINE)
ITEM = re.compile(r"^/\*\*\n(.*?)^ \*/\n(.*?)(?=^/\*\*|\Z)", re.MULTILINE | re.DOTALL)
MEMBER = re.compile(r"^ +/\*\*\n(.*?)^ +\*/\n +(.*?)[;,]?$", re.MULTILINE | re.DOTALL)
REAL_TIME = {"[real-time]": "Real time", "[allocates]": "Allocates", "[long]": "Long"}


def prose(comment: str, roles: dict[str, str]) -> str:
    """A comment's text; names of the library in it become links."""
    lines = [re.sub(r"^ *\* ?", "", line) for line in comment.splitlines()]
    if lines and lines[-1] in REAL_TIME:
        lines[-1:] = ["", f"*{REAL_TIME[lines[-1]]}* ({{ref}}`what this means <c-real-time>`)."]
    text = "\n".join(lines).strip()
    return re.sub(r"`(coeval_\w+|COEVAL_\w+)(?:\(\))?`", lambda m: link(m[1], roles), text)


def link(name: str, roles: dict[str, str]) -> str:
    return f"{{c:{roles[name]}}}`{name}`" if name in roles else f"`{name}`"


def directive(kind: str, signature: str, body: str, colons: int) -> str:
    fence = ":" * colons
    return f"{fence}{{c:{kind}}} {' '.join(signature.split())}\n{body}\n{fence}\n"


def item(declared: str) -> tuple[str, str, str, list[tuple[str, str]]]:
    """Kind, name, signature, and members (comment and declaration) of what is declared."""
    if found := re.match(r"#define (\w+)(?: (.*))?", declared):
        return "macro", found[1], found[1], []
    if found := re.match(r"enum (\w+)\n.*?\{\n(.*?)^\}", declared, re.MULTILINE | re.DOTALL):
        return "enum", found[1], found[1], MEMBER.findall(found[2])
    if found := re.match(r"typedef struct \{\n(.*?)^\} (\w+);", declared, re.MULTILINE | re.DOTALL):
        return "struct", found[2], found[2], MEMBER.findall(found[1])
    if found := re.match(r"typedef struct (\w+) \1;", declared):
        return "struct", found[1], found[1], []
    if found := re.match(r"typedef (.*?\(\*(\w+)\).*?);", declared, re.DOTALL):
        return "type", found[2], found[1], []
    signature = declared.strip().rstrip(";").replace("COEVAL_DEPRECATED", "").strip()
    if found := re.search(r"(\w+)\(", signature):
        return "function", found[1], signature, []
    raise ValueError(f"no page can show {declared!r}")


def write(header: Path, folder: Path) -> None:
    """Writes the pages of `header` into `folder`."""
    text = header.read_text(encoding="utf-8")
    parts = SECTION.split(text.split("#ifdef __cplusplus\n}  // extern")[0])
    opening = re.search(r"/\*\n \* Coeval puts.*?\*/", parts[0], re.DOTALL)
    if opening is None or len(parts) < 3:
        raise ValueError(f"{header} has another layout than the one that is taken apart here")
    sections = [
        (title, [(doc, *item(declared)) for doc, declared in ITEM.findall(body)])
        for title, body in zip(parts[1::2], parts[2::2])
    ]
    roles = {"function": "func", "type": "type", "struct": "struct", "enum": "enum", "macro": "macro"}
    known: dict[str, str] = {}
    for _, items in sections:
        for _, kind, name, _, members in items:
            known[name] = roles[kind]
            if kind == "enum":
                known.update((declared.split()[0], "enumerator") for _, declared in members)
    folder.mkdir(parents=True, exist_ok=True)
    names = []
    for title, items in sections:
        page = [f"# {title}\n"]
        for doc, kind, _, signature, members in items:
            body = prose(doc, known) + "\n"
            for about, declared in members:
                part = "enumerator" if kind == "enum" else "member"
                body += "\n" + directive(part, declared, prose(about, known), 3)
            page.append(directive(kind, signature, body, 4))
        names.append(title.lower().replace(" ", "-"))
        (folder / f"{names[-1]}.md").write_text("\n".join(page), encoding="utf-8")
    (folder / "rules.md").write_text(rules(opening[0], known), encoding="utf-8")
    contents = "\n".join(["rules", *names])
    (folder / "index.md").write_text(INDEX.format(contents=contents), encoding="utf-8")


def rules(opening: str, known: dict[str, str]) -> str:
    """The header's opening chapter, whose paragraphs begin with a word in capitals."""
    lines = [re.sub(r"^ \* ?", "", line) for line in opening.splitlines()[1:-1]]
    page = ["# Rules of the C library\n"]
    for paragraph in "\n".join(lines).split("\n\n"):
        if found := re.match(r"([A-Z ]{4,})\. (.*)", paragraph, re.DOTALL):
            title = found[1].capitalize()
            page.append(f"(c-{title.lower().replace(' ', '-')})=\n## {title}\n")
            paragraph = found[2]
        # Lines that begin with a mark are a list.
        paragraph = re.sub(r"\n(\[[a-z-]+\])", r"\n- `\1`", paragraph)
        paragraph = paragraph.replace("\n- `[real-time]`", "\n\n- `[real-time]`", 1)
        page.append(re.sub(r"\b(coeval_\w+[a-z]|COEVAL_[A-Z_]+[A-Z])\b", lambda m: link(m[1], known), paragraph) + "\n")
    return "\n".join(page)


INDEX = """# C and C++

`coeval.h` is the C interface, by topic. `coeval.hpp` has the same for C++: it frees the handles and throws failures.
How to build and link: [README of the library](../../bindings/c/README.md). A worked example:
[write a plugin](../../how-to/plugin.md).

```{{toctree}}
{contents}
```
"""
