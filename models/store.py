"""Photos on disk, named by the SHA-256 of their bytes.

A photo is written under a temporary name, forced to disk and then linked to its real
name, so under a real name there is always a whole photo, whatever is switched off when.
What stands under a name is never overwritten; if it is found damaged and the same photo
comes again, the damaged file is set aside and kept.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
import secrets
import time
from collections.abc import Iterator
from pathlib import Path

from models.errors import StoreError

_CHUNK = 1 << 20
STALE_S = 24 * 3600.0


def content_hash(data: bytes) -> str:
    """SHA-256 of the bytes, hex."""
    return hashlib.sha256(data).hexdigest()


class PhotoStore:
    """Photos below one folder, which is made at first use."""

    def __init__(self, root: Path) -> None:
        self.root = root

    def put(self, data: bytes) -> str:
        """Keep these bytes and return their hash. When it returns, they are on disk.

        Raises StoreError when they cannot be written; nothing is then left under the photo's name.
        """
        sha256 = content_hash(data)
        target = self.path(sha256)
        try:
            if self._is_whole(sha256):
                return sha256
            target.parent.mkdir(parents=True, exist_ok=True)
            self._temporary.mkdir(parents=True, exist_ok=True)
            temporary = self._temporary / f"{sha256[:12]}.{secrets.token_hex(6)}"
            try:
                _write_to_disk(temporary, data)
                self._give_name(temporary, target)
            finally:
                temporary.unlink(missing_ok=True)
            _sync_folder(target.parent)
        except OSError as error:
            raise StoreError(
                f"photo store {self.root}: cannot keep the photo ({error.strerror or error});"
                " nothing was stored"
            ) from error
        return sha256

    def path(self, sha256: str) -> Path:
        """Where the photo of this hash lies, or would lie. Raises StoreError for what is no hash."""
        if len(sha256) != 64 or set(sha256) - set("0123456789abcdef"):
            raise StoreError(f"photo {sha256[:80]!r}: expected a SHA-256 of 64 hexadecimal digits")
        return self.root / sha256[:2] / sha256

    def read(self, sha256: str) -> bytes:
        """The photo's bytes, checked against their hash. Raises StoreError when missing or damaged."""
        try:
            data = self.path(sha256).read_bytes()
        except FileNotFoundError:
            raise StoreError(f"photo {sha256[:12]}: its file is missing from the store") from None
        except OSError as error:
            raise StoreError(
                f"photo {sha256[:12]}: its file cannot be read ({error.strerror or error})"
            ) from error
        if content_hash(data) != sha256:
            raise StoreError(
                f"photo {sha256[:12]}: its file is damaged, its content no longer matches its name"
            )
        return data

    def fault(self, sha256: str) -> str | None:
        """None when the photo is there and whole, else a sentence; reads in pieces."""
        path = self.path(sha256)
        digest = hashlib.sha256()
        try:
            with path.open("rb") as file:
                while piece := file.read(_CHUNK):
                    digest.update(piece)
        except FileNotFoundError:
            return f"photo {sha256[:12]}: its file is missing from the store"
        except OSError as error:
            return f"photo {sha256[:12]}: its file cannot be read ({error.strerror or error})"
        if digest.hexdigest() != sha256:
            return f"photo {sha256[:12]}: its file is damaged, its content no longer matches its name"
        return None

    def hashes(self) -> Iterator[str]:
        """The hashes of all photos in the store, in order."""
        if not self.root.is_dir():
            return
        for folder in sorted(self.root.iterdir()):
            if folder.is_dir() and len(folder.name) == 2:
                yield from sorted(file.name for file in folder.iterdir() if len(file.name) == 64)

    def sweep(self, older_than_s: float = STALE_S) -> int:
        """Remove temporary files that a crash left behind; returns how many."""
        if not self._temporary.is_dir():
            return 0
        limit = time.time() - older_than_s
        removed = 0
        for file in self._temporary.iterdir():
            with contextlib.suppress(FileNotFoundError):
                if file.stat().st_mtime <= limit:
                    file.unlink()
                    removed += 1
        return removed

    @property
    def _temporary(self) -> Path:
        return self.root / "incoming"

    def _is_whole(self, sha256: str) -> bool:
        return self.path(sha256).exists() and self.fault(sha256) is None

    def _give_name(self, temporary: Path, target: Path) -> None:
        try:
            os.link(temporary, target)
        except FileExistsError:
            if self.fault(target.name) is None:
                return  # somebody stored the same photo at the same moment
            aside = self.root / "damaged"
            aside.mkdir(exist_ok=True)
            target.rename(aside / f"{target.name}.{secrets.token_hex(4)}")
            temporary.rename(target)
        except OSError:
            temporary.rename(target)  # a file system without links


def _write_to_disk(path: Path, data: bytes) -> None:
    with path.open("xb") as file:
        file.write(data)
        file.flush()
        os.fchmod(file.fileno(), 0o444)
        os.fsync(file.fileno())


def _sync_folder(folder: Path) -> None:
    """Force the folder's list of names to disk, so that a name given is not lost with the power."""
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
