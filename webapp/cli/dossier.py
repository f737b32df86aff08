"""lehrbook dossier: the printable history of a sheet as PDF."""

import argparse
import sys
from pathlib import Path


def add_parser(subparsers: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Describe the command."""
    parser = subparsers.add_parser(
        "dossier",
        help="write the history of a sheet as PDF",
        description="Writes all that is on record about a sheet. The same record gives the same bytes.",
    )
    parser.add_argument("sheet", metavar="SHEET_ID", help="the sheet's label, as in the plant's files")
    parser.add_argument("--out", metavar="FILE.pdf", type=Path, required=True, help="where to write it")


def run(args: argparse.Namespace) -> int:
    """Write the file whole or not at all; print its name and its SHA-256."""
    import hashlib
    import secrets

    from models.database import reading
    from models.errors import LehrbookError
    from models.history import sheet_id_of
    from webapp.dossier.evidence import dossier_of
    from webapp.plant import open_plant

    out: Path = args.out
    if out.is_dir() or not out.parent.is_dir():
        why = "is a folder" if out.is_dir() else "lies in a folder that does not exist"
        msg = f"--out {out}: {why}; expected the name of a PDF file in a folder that exists"
        raise LehrbookError(msg)
    plant = open_plant(args.settings)
    try:
        with reading(plant.sessions) as session:
            _, data = dossier_of(session, plant.store, plant.book, sheet_id_of(session, args.sheet))
    finally:
        plant.engine.dispose()
    draft = out.with_name(f".{out.name}.{secrets.token_hex(4)}")
    try:
        draft.write_bytes(data)
        draft.replace(out)
    finally:
        draft.unlink(missing_ok=True)
    sys.stdout.write(f"{out}  {len(data)} bytes  SHA-256 {hashlib.sha256(data).hexdigest()}\n")
    return 0
