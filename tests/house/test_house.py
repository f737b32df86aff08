"""House rules that a machine can hold: where files live, how long they are, who may import whom."""

import re
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
MAX_LINES = 400
COUNTED = {".py", ".js", ".css", ".html"}


def tracked_files() -> list[Path]:
    """Every file that git tracks, or that it would if it were added."""
    listing = subprocess.run(
        ["git", "ls-files", "--cached", "--others", "--exclude-standard"],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=True,
    )
    return [ROOT / line for line in listing.stdout.splitlines() if (ROOT / line).is_file()]


def is_vendored(path: Path) -> bool:
    return "vendor" in path.relative_to(ROOT).parts


def test_top_level_holds_exactly_the_named_entries():
    entries = {path.relative_to(ROOT).parts[0] for path in tracked_files()}
    visible = {name for name in entries if not name.startswith(".")}
    expected = {"README.md", "DEVELOPERS.md", "pyproject.toml", "webapp", "vision", "models", "tests"}
    assert visible == expected | {"demo_images"}


def test_no_file_is_longer_than_one_can_know():
    too_long = {
        str(path.relative_to(ROOT)): lines
        for path in tracked_files()
        if path.suffix in COUNTED
        and not is_vendored(path)
        and (lines := len(path.read_text(encoding="utf-8").splitlines())) > MAX_LINES
    }
    assert too_long == {}


def test_import_directions_hold():
    """The contracts stand in pyproject.toml; the tool that checks them is import-linter."""
    tool = Path(sys.executable).with_name("lint-imports")
    done = subprocess.run([tool, "--no-cache"], cwd=ROOT, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout


@pytest.mark.parametrize(
    ("source", "forbidden"),
    [
        ("vision", "import models"),
        ("vision", "import sqlalchemy"),
        ("models", "import flask"),
        ("models", "import vision"),
    ],
)
def test_the_import_check_can_fail(source, forbidden, tmp_path):
    """A check that cannot fail is no check: plant one wrong import in a copy and see it named."""
    import shutil

    for package in ("vision", "models", "webapp"):
        shutil.copytree(
            ROOT / package,
            tmp_path / package,
            ignore=shutil.ignore_patterns("static", "templates", "__pycache__"),
        )
    shutil.copy(ROOT / "pyproject.toml", tmp_path)
    (tmp_path / source / "astray.py").write_text(f"{forbidden}\n", encoding="utf-8")
    tool = Path(sys.executable).with_name("lint-imports")
    done = subprocess.run([tool, "--no-cache"], cwd=tmp_path, capture_output=True, text=True, check=False)
    assert done.returncode != 0
    assert f"{source}.astray" in done.stdout


def test_shipped_code_has_no_assert_and_no_bare_except():
    wrong = []
    for path in tracked_files():
        if path.suffix == ".py" and path.relative_to(ROOT).parts[0] in {"vision", "models", "webapp"}:
            for number, line in enumerate(path.read_text(encoding="utf-8").splitlines(), start=1):
                if re.match(r"\s*(assert\b|except\s*:)", line):
                    wrong.append(f"{path.relative_to(ROOT)}:{number}")
    assert wrong == []


def test_no_machine_path_and_no_registry_address_is_tracked():
    # Put together here so that this file does not find itself.
    traces = ["/wor" + "k/", "/far" + "m/", "/roo" + "t/", "pypi" + ".org", "registry" + ".npmjs"]
    wrong = []
    for path in tracked_files():
        if is_vendored(path) or path.suffix in {".jpg", ".png", ".webp", ".npz", ".pdf", ".ttf"}:
            continue
        text = path.read_text(encoding="utf-8")
        wrong += [f"{path.relative_to(ROOT)}: {trace}" for trace in traces if trace in text]
    assert wrong == []
