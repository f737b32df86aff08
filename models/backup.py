"""Backup to one file, and putting it back.

The file is a plain tar archive: `manifest.json`, the database as a SQLite file (also when
the plant runs on PostgreSQL), the plant's own grades, and the photos under their hashes.

Order matters: the database is copied first, as of one moment, and the photos after it. A photo's
file is always there before its row and is never removed, so every row of the copy finds
its file among the photos copied later.
"""

from __future__ import annotations

import hashlib
import io
import json
import os
import re
import secrets
import shutil
import tarfile
import tempfile
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from sqlalchemy import Engine, select

from models import database, migrations
from models.clock import utc_now
from models.errors import BackupError, LehrbookError
from models.records import Photo
from models.store import PhotoStore
from models.table_copy import copy_rows, refuse_rows
from models.verify import Report, verify

PHOTOS = "photos"
GRADES = "grades"
_MANIFEST = "manifest.json"
_FORMAT = 1
_PHOTO_NAME = re.compile(r"photos/[0-9a-f]{2}/([0-9a-f]{64})")
_GRADE_NAME = re.compile(r"grades/[A-Za-z0-9._-]{1,100}\.toml")
_CHUNK = 1 << 20

Progress = Callable[[str], None]


@dataclass(frozen=True, slots=True)
class Made:
    """What a backup holds."""

    path: Path
    photos: int
    size_bytes: int


def make_backup(engine: Engine, home: Path, target: Path, progress: Progress | None = None) -> Made:
    """Write a backup of a plant in use; `target` appears only when it is complete.

    Raises BackupError when the target exists, cannot be written, or a photo's file is missing or damaged.
    """
    tell = progress or _quiet
    if target.exists():
        raise BackupError(f"{target}: exists already; choose another name, nothing was written")
    if not target.parent.is_dir():
        raise BackupError(f"{target}: folder {target.parent} does not exist; nothing was written")
    store = PhotoStore(home / PHOTOS)
    temporary = target.with_name(f".{target.name}.{secrets.token_hex(4)}.part")
    try:
        with tempfile.TemporaryDirectory(dir=target.parent, prefix=".lehrbook-backup-") as folder:
            copy = Path(folder) / database.FILE_NAME
            tell("copying the database")
            _copy_database(engine, copy, tell)
            hashes = _photo_hashes(copy)
            with temporary.open("xb") as file:
                with tarfile.open(fileobj=file, mode="w", format=tarfile.PAX_FORMAT) as archive:
                    _add_bytes(archive, _MANIFEST, json.dumps(_manifest(copy, hashes), indent=1).encode())
                    archive.add(copy, database.FILE_NAME)
                    for grade in sorted((home / GRADES).glob("*.toml")):
                        archive.add(grade, f"{GRADES}/{grade.name}")
                    for number, sha256 in enumerate(hashes, start=1):
                        if number % 100 == 1:
                            tell(f"photo {number} of {len(hashes)}")
                        _add_bytes(archive, f"{PHOTOS}/{sha256[:2]}/{sha256}", store.read(sha256))
                file.flush()
                os.fsync(file.fileno())
        temporary.rename(target)
    except OSError as error:
        msg = f"{target}: the backup cannot be written ({error.strerror or error}); nothing was kept"
        raise BackupError(msg) from error
    finally:
        temporary.unlink(missing_ok=True)
    return Made(target, len(hashes), target.stat().st_size)


def check_backup(source: Path, progress: Progress | None = None) -> Report:
    """Unpack a backup beside itself, verify all it holds, and remove that again. Raises BackupError."""
    with _unpacked(source, source.parent, progress or _quiet) as folder:
        return _verify_home(folder, progress or _quiet)


def restore_backup(
    source: Path, home: Path, database_url: str | None = None, progress: Progress | None = None
) -> Report:
    """Put a backup back into a data folder that is empty or not there yet (and an empty database).

    What was unpacked is verified before it takes its place. Raises BackupError; the folder is then as it was.
    """
    tell = progress or _quiet
    if home.exists() and (not home.is_dir() or any(home.iterdir())):
        raise BackupError(f"{home}: is not empty; a backup is put back into an empty folder only")
    elsewhere = database_url if database_url and not database_url.startswith("sqlite") else None
    home.parent.mkdir(parents=True, exist_ok=True)
    with _unpacked(source, home.parent, tell) as folder:
        report = _verify_home(folder, tell)
        if report.faults:
            more = f" and {len(report.faults) - 1} more" if len(report.faults) > 1 else ""
            raise BackupError(f"{source}: {report.faults[0]}{more}; nothing was put back")
        if elsewhere is not None:
            _fill_database(folder / database.FILE_NAME, elsewhere, tell)
            (folder / database.FILE_NAME).unlink()
        if home.exists():
            home.rmdir()
        folder.rename(home)
    return report


def _quiet(_text: str) -> None:
    """No progress wanted."""


def _copy_database(engine: Engine, copy: Path, tell: Progress) -> None:
    if engine.dialect.name == "sqlite":
        migrations.copy_sqlite(Path(engine.url.database or ""), copy)
        return
    target = database.open_engine(database.sqlite_url(copy))
    try:
        migrations.upgrade(target)
        copy_rows(engine, target, tell)
        _leave_wal(target)
    finally:
        target.dispose()


def _fill_database(copy: Path, url: str, tell: Progress) -> None:
    source, target = database.open_engine(database.sqlite_url(copy)), database.open_engine(url)
    try:
        migrations.upgrade(target)
        with target.connect() as connection:
            refuse_rows(connection)
        copy_rows(source, target, tell)
    finally:
        source.dispose()
        target.dispose()


def _leave_wal(engine: Engine) -> None:
    """Fold the write-ahead log into the one file."""
    with closing(engine.raw_connection()) as connection:
        connection.cursor().execute("PRAGMA journal_mode = DELETE")


def _photo_hashes(copy: Path) -> list[str]:
    engine = database.open_engine(database.sqlite_url(copy))
    try:
        with database.session_factory(engine)() as session:
            hashes = list(session.scalars(select(Photo.sha256).distinct().order_by(Photo.sha256)))
        _leave_wal(engine)
    finally:
        engine.dispose()
    return hashes


def _manifest(copy: Path, hashes: list[str]) -> dict[str, Any]:
    return {
        "format": _FORMAT,
        "program": "lehrbook",
        "made_at": utc_now().isoformat(timespec="seconds"),
        "database_sha256": _file_hash(copy),
        "photos": len(hashes),
    }


def _file_hash(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def _add_bytes(archive: tarfile.TarFile, name: str, data: bytes) -> None:
    entry = tarfile.TarInfo(name)
    entry.size, entry.mtime, entry.mode = len(data), int(utc_now().timestamp()), 0o444
    archive.addfile(entry, io.BytesIO(data))


@contextmanager
def _unpacked(source: Path, beside: Path, tell: Progress) -> Iterator[Path]:
    """The backup's content in a temporary folder, which may be renamed away; checked as it comes."""
    try:
        folder = Path(tempfile.mkdtemp(dir=beside, prefix=".lehrbook-restore-"))
    except OSError as error:
        raise BackupError(f"{beside}: cannot be written ({error.strerror or error})") from error
    try:
        try:
            with tarfile.open(source, "r:") as archive:
                _unpack(archive, source, folder, tell)
        except FileNotFoundError:
            raise BackupError(f"{source}: there is no such file") from None
        except (tarfile.TarError, EOFError) as error:
            raise BackupError(f"{source}: is not a backup, or is cut short ({error})") from error
        except OSError as error:
            raise BackupError(f"{source}: cannot be read or unpacked ({error.strerror or error})") from error
        yield folder
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def _unpack(archive: tarfile.TarFile, source: Path, folder: Path, tell: Progress) -> None:
    manifest: dict[str, Any] | None = None
    photos = 0
    for entry in archive:
        content = archive.extractfile(entry) if entry.isreg() else None
        if content is None:
            raise BackupError(
                f"{source}: holds {entry.name[:80]!r}, which is no plain file; not a backup of ours"
            )
        if entry.name == _MANIFEST:
            manifest = _read_manifest(content.read(_CHUNK), source)
            continue
        photo = _PHOTO_NAME.fullmatch(entry.name)
        if not (photo or entry.name == database.FILE_NAME or _GRADE_NAME.fullmatch(entry.name)):
            raise BackupError(f"{source}: holds {entry.name[:80]!r}; not a backup of ours")
        path = folder / entry.name
        path.parent.mkdir(parents=True, exist_ok=True)
        sha256 = _write(content, path)
        if photo:
            photos += 1
            if photos % 100 == 1:
                tell(f"unpacking photo {photos}")
            if sha256 != photo[1]:
                raise BackupError(f"{source}: photo {photo[1][:12]} is damaged; nothing was put back")
            path.chmod(0o444)
        if (
            entry.name == database.FILE_NAME
            and manifest is not None
            and sha256 != manifest["database_sha256"]
        ):
            raise BackupError(f"{source}: its database is damaged; nothing was put back")
    if manifest is None or not (folder / database.FILE_NAME).exists():
        raise BackupError(f"{source}: is not a backup, or is cut short (no database in it)")
    if photos != manifest["photos"]:
        raise BackupError(f"{source}: holds {photos} photos, its manifest says {manifest['photos']}")


def _read_manifest(data: bytes, source: Path) -> dict[str, Any]:
    try:
        manifest = json.loads(data)
        known = manifest["format"] == _FORMAT and {"database_sha256", "photos"} <= set(manifest)
    except (ValueError, TypeError, KeyError):
        known = False
    if not known:
        raise BackupError(f"{source}: its manifest cannot be read; expected a backup of format {_FORMAT}")
    return dict(manifest)


def _write(content: Any, path: Path) -> str:
    digest = hashlib.sha256()
    with path.open("xb") as file:
        while piece := content.read(_CHUNK):
            digest.update(piece)
            file.write(piece)
        file.flush()
        os.fsync(file.fileno())
    return digest.hexdigest()


def _verify_home(folder: Path, tell: Progress) -> Report:
    """Verify an unpacked backup; an older one is brought up to date first (it is a copy)."""
    engine = database.open_engine(database.sqlite_url(folder / database.FILE_NAME))
    try:
        copy = migrations.upgrade(engine)
        if copy is not None:
            copy.unlink()
        with database.session_factory(engine)() as session:
            report = verify(session, PhotoStore(folder / PHOTOS), tell)
        _leave_wal(engine)
    except LehrbookError as error:
        raise BackupError(str(error).replace(str(folder), "the backup")) from error
    finally:
        engine.dispose()
    return report
