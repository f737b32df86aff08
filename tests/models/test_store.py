"""Photos on disk: whole or not there, never overwritten, damage recognised."""

import hashlib
import os
import threading

import pytest

from models import store as store_module
from models.errors import StoreError
from models.store import PhotoStore, content_hash

PHOTO = b"\xff\xd8 a photo of sheet L1-0004711 \xff\xd9"


def test_content_hash_is_sha256_of_fips_180_4():
    """FIPS 180-4, SHA-256 example message "abc" (value from memory)."""
    value = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    assert content_hash(b"abc") == value == hashlib.sha256(b"abc").hexdigest()


def test_a_photo_comes_back_as_it_went_in(store: PhotoStore):
    sha256 = store.put(PHOTO)
    assert store.read(sha256) == PHOTO
    assert store.fault(sha256) is None
    assert list(store.hashes()) == [sha256]
    assert store.path(sha256).stat().st_mode & 0o222 == 0


def test_the_same_photo_twice_is_one_file_and_is_not_written_again(store: PhotoStore):
    sha256 = store.put(PHOTO)
    before = store.path(sha256).stat()
    assert store.put(PHOTO) == sha256
    after = store.path(sha256).stat()
    assert (before.st_ino, before.st_mtime_ns) == (after.st_ino, after.st_mtime_ns)


def test_a_missing_photo_is_recognised(store: PhotoStore):
    sha256 = content_hash(PHOTO)
    with pytest.raises(StoreError, match="its file is missing from the store"):
        store.read(sha256)
    assert "missing" in store.fault(sha256)


def damage(path):
    path.chmod(0o644)
    path.write_bytes(PHOTO[:-1] + b"?")


def test_a_damaged_photo_is_recognised_and_set_aside_when_it_comes_again(store: PhotoStore):
    sha256 = store.put(PHOTO)
    damage(store.path(sha256))
    with pytest.raises(StoreError, match="damaged"):
        store.read(sha256)
    assert "damaged" in store.fault(sha256)
    assert store.put(PHOTO) == sha256
    assert store.read(sha256) == PHOTO
    assert [file.read_bytes()[-1:] for file in (store.root / "damaged").iterdir()] == [b"?"]


@pytest.mark.parametrize("name", ["", "..", "../../etc/passwd", "ab", "G" * 64, "A" * 64])
def test_what_is_no_hash_names_no_file(store: PhotoStore, name):
    with pytest.raises(StoreError, match="expected a SHA-256"):
        store.path(name)


@pytest.mark.parametrize("broken", ["fsync", "link", "write"])
def test_power_cut_at_any_step_leaves_no_half_photo(store: PhotoStore, monkeypatch, broken):
    """Whatever step the power fails at, under the photo's name there is all of it or nothing."""

    class PowerCut(BaseException):
        pass

    def cut(*_args, **_kwargs):
        raise PowerCut

    if broken == "fsync":
        monkeypatch.setattr(os, "fsync", cut)
    elif broken == "link":
        monkeypatch.setattr(os, "link", cut)
    else:
        monkeypatch.setattr(store_module, "_write_to_disk", cut)
    with pytest.raises(PowerCut):
        store.put(PHOTO)
    assert list(store.hashes()) == []
    monkeypatch.undo()
    assert store.read(store.put(PHOTO)) == PHOTO


def test_a_full_disk_is_a_sentence_and_leaves_nothing(store: PhotoStore, monkeypatch):
    def full(_handle):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(
        StoreError, match=r"cannot keep the photo \(No space left on device\); nothing was stored"
    ):
        store.put(PHOTO)
    assert list(store.hashes()) == []
    assert list((store.root / "incoming").iterdir()) == []


def test_a_file_system_without_links_works_too(store: PhotoStore, monkeypatch):
    def no_links(_source, _target):
        raise PermissionError(1, "Operation not permitted")

    monkeypatch.setattr(os, "link", no_links)
    assert store.read(store.put(PHOTO)) == PHOTO


def test_leftovers_of_a_crash_are_swept_and_photos_are_not(store: PhotoStore):
    sha256 = store.put(PHOTO)
    leftover = store.root / "incoming" / "abc.part"
    leftover.write_bytes(b"half")
    assert store.sweep() == 0
    assert store.sweep(older_than_s=-1.0) == 1
    assert not leftover.exists()
    assert store.read(sha256) == PHOTO


def test_many_writers_of_the_same_and_other_photos(store: PhotoStore):
    photos = [b"photo %d" % (n % 7) * 5000 for n in range(56)]
    failures = []

    def put(part):
        try:
            for photo in part:
                store.put(photo)
        except StoreError as error:
            failures.append(error)

    threads = [threading.Thread(target=put, args=(photos[n::8],)) for n in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert failures == []
    assert sorted(store.hashes()) == sorted({content_hash(photo) for photo in photos})
    assert all(store.fault(sha256) is None for sha256 in store.hashes())
