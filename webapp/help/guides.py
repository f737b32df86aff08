"""The guides: which there are, in which order, and each as HTML with its table of contents.

A guide is a Markdown file that reads well as a file too: its links lead to other files (`grades.md#classes`),
to `samples/` and to `pictures/`. The renderer turns them into addresses of the app. HTML inside a guide is
shown as text, and nothing that the renderer writes carries a style of its own (the content security policy
would block it).
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from types import MappingProxyType

from markdown_it import MarkdownIt
from markdown_it.token import Token
from mdit_py_plugins.anchors import anchors_plugin

FOLDER = Path(__file__).parents[1] / "guides"

#: the guides in the order of the index, each with what it is for
GUIDES: Mapping[str, str] = MappingProxyType(
    {
        "inspector": "For inspectors: take a sheet, photograph it, decide about the finds, finish.",
        "quality-lead": "For quality leads: the ribbon, episodes, hold lists, charts, the furnace.",
        "claims-desk": "For the claims desk: find a sheet, read its history, print the dossier.",
        "administrator": "For administrators: set up, settings, network, backup, upgrade, who may open what.",
        "commands": "Every command of lehrbook with its options.",
        "file-formats": "The files that go in and out, column by column, with samples to download.",
        "tracer-runs": "How to measure how long glass stays in the furnace, and what the trace does with it.",
        "grades": "How a sheet is judged: published grades, your own grades, packs.",
        "measured-figures": "How good it is, how it was measured, and the command that repeats it.",
        "glossary": "One word for one thing: the words of the pages, explained.",
        "changelog": "What changed from version to version.",
        "licences": "The licence of each part that others made.",
    }
)
#: folders beside the guides whose files are handed out as they are
FOLDERS = ("samples", "pictures")

_LINK = re.compile(r"(?P<name>[a-z-]+)\.md(?P<anchor>#[\w-]*)?")


@dataclass(frozen=True, slots=True)
class Section:
    """A part of a guide with a heading. level : 2 or 3; anchor : what follows # in its address."""

    level: int
    anchor: str
    title: str


@dataclass(frozen=True, slots=True)
class Guide:
    """A guide, ready to be shown. html : everything below its title."""

    name: str
    title: str
    summary: str
    sections: tuple[Section, ...]
    html: str


@cache
def guide(name: str) -> Guide:
    """The guide of this name, rendered at first use. Raises KeyError where there is none."""
    summary = GUIDES[name]
    tokens = _parser().parse((FOLDER / f"{name}.md").read_text(encoding="utf-8"))
    title = next(text for level, _, text in _headings(tokens) if level == 1)
    sections = tuple(Section(level, anchor, text) for level, anchor, text in _headings(tokens) if level > 1)
    body = list(_fitted(tokens[3:]))  # the title is three tokens; the page shows it by itself
    parser = _parser()
    return Guide(name, title, summary, sections, parser.renderer.render(body, parser.options, {}))


def file_of(folder: str, name: str) -> Path | None:
    """A file that is handed out beside the guides; None where there is none of this name."""
    if folder not in FOLDERS:
        return None
    return next((path for path in (FOLDER / folder).iterdir() if path.name == name), None)


def _parser() -> MarkdownIt:
    parser = MarkdownIt("commonmark", {"html": False}).enable("table")
    return parser.use(anchors_plugin, max_level=3)


def _headings(tokens: list[Token]) -> Iterator[tuple[int, str, str]]:
    """Level, anchor and plain text of each heading."""
    for at, token in enumerate(tokens):
        if token.type == "heading_open":
            inline = tokens[at + 1].children or []
            text = "".join(child.content for child in inline if child.type in ("text", "code_inline"))
            yield int(token.tag[1]), str(token.attrGet("id") or ""), text


def _fitted(tokens: list[Token]) -> Iterator[Token]:
    """The tokens with links that lead to pages, columns aligned by class, and tables that can be scrolled."""
    tables = 0
    in_head = False
    for token in tokens:
        if token.type == "table_open":
            tables += 1
            yield _html(f'<div class="scroll-x" tabindex="0" role="region" aria-label="Table {tables}">\n')
        if token.type in ("thead_open", "thead_close"):
            in_head = token.type == "thead_open"
        if token.type == "th_open" and in_head:
            token.attrSet("scope", "col")
        style = token.attrs.pop("style", None)
        if style == "text-align:right":
            token.attrJoin("class", "number")
        for child in token.children or ():
            for attribute in ("href", "src"):
                if attribute in child.attrs:
                    child.attrSet(attribute, _address(str(child.attrs[attribute])))
        yield token
        if token.type == "table_close":
            yield _html("</div>\n")


def _html(text: str) -> Token:
    return Token("html_block", "", 0, content=text)


def _address(target: str) -> str:
    """Where a link of a guide leads on the pages, which all lie in one folder of addresses."""
    found = _LINK.fullmatch(target)
    return f"{found['name']}{found['anchor'] or ''}" if found else target
