"""A folder in which a plant's historian drops files: taken in order, then moved aside.

A file's name begins with its kind: `line-log_2026-03-01.csv`, `defects-shift3.csv`, `plant.json`. Files that
went in move to `done`, files that did not move to `refused` with the reason beside them.
"""

from __future__ import annotations

import time
from pathlib import Path

from sqlalchemy.orm import Session, sessionmaker

from models.errors import LehrbookError
from models.imports.run import KINDS, import_file

QUIET_S = 5.0  # a file that changed less long ago may still be written


def kind_of(path: Path) -> str | None:
    """Kind of a file by its name; None where it says none."""
    name = path.name.lower().replace("_", "-")
    found = [kind for kind in KINDS if name.startswith(kind)]
    return max(found, key=len) if found else None


def take_folder(
    sessions: sessionmaker[Session], folder: Path, *, line: str | None = None, skip_bad: bool = False,
    quiet_s: float = QUIET_S,
) -> list[str]:  # fmt: skip
    """Import what lies in `folder`; returns a sentence for each file.

    Raises FileNotFoundError where there is no such folder.
    """
    now = time.time()
    waiting = []
    for path in sorted(folder.iterdir()):
        kind = kind_of(path)
        if path.is_file() and kind is not None and now - path.stat().st_mtime >= quiet_s:
            waiting.append((KINDS.index(kind), path.name, kind, path))
    said = []
    for _, _, kind, path in sorted(waiting):
        try:
            report = import_file(sessions, kind, path, line=line, skip_bad=skip_bad)
        except LehrbookError as error:
            target = _move(path, folder / "refused")
            target.with_name(target.name + ".reason.txt").write_text(f"{error}\n", encoding="utf-8")
            said.append(f"{path.name}: refused: {error}")
        else:
            _move(path, folder / "done")
            said.append(report.says())
    return said


def _move(path: Path, folder: Path) -> Path:
    folder.mkdir(exist_ok=True)
    target, n = folder / path.name, 1
    while target.exists():
        target, n = folder / f"{path.stem}-{n}{path.suffix}", n + 1
    return path.rename(target)
