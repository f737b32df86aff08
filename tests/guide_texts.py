"""The guides as the checks read them: sections by anchor, rows of tables, code and names of controls."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass

from webapp.help.guides import FOLDER, GUIDES

TEXTS = {name: (FOLDER / f"{name}.md").read_text(encoding="utf-8") for name in GUIDES}
CODE = re.compile(r"`([^`]+)`")


@dataclass(frozen=True)
class Part:
    """One heading and what stands below it, up to the next heading."""

    guide: str
    title: str
    text: str

    def rows(self) -> list[list[str]]:
        """The cells of its tables, heads and rules left out."""
        return [cells for cells in _tables(self.text) if not set("".join(cells)) <= set(":- ")][1:]


def parts(guide: str) -> list[Part]:
    """All parts of a guide, in order; what stands before the first heading is left out."""
    pieces = re.split(r"^#{1,3} (.+)$", TEXTS[guide], flags=re.M)[1:]
    return [Part(guide, title, text) for title, text in zip(pieces[::2], pieces[1::2], strict=True)]


def part(guide: str, title: str) -> Part:
    """The part with this heading."""
    return next(one for one in parts(guide) if one.title == title)


def codes(text: str) -> list[str]:
    """What stands between backquotes."""
    return CODE.findall(text)


def commands() -> Iterator[tuple[str, str]]:
    """Guide and command line of everything that begins with `lehrbook`, in running text or in a block."""
    for name, text in TEXTS.items():
        for line in re.findall(r"^ {4,}(.+)$", text, flags=re.M):
            yield from ((name, one) for one in re.findall(r"(?:^|bin/)(lehrbook(?: .*)?)$", line.strip()))
        yield from ((name, one) for one in codes(text) if re.match(r"lehrbook( |$)", one))


def _tables(text: str) -> Iterator[list[str]]:
    for line in text.splitlines():
        if line.startswith("|"):
            yield [cell.strip() for cell in re.split(r"(?<!\\)\|", line)[1:-1]]
