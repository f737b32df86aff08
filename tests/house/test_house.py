"""House rules that a machine can hold: where files live, how long they are, who may import whom."""

import re
import shutil
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest
from setuptools.discovery import PackageFinder

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


# A check that cannot fail is no check: for each contract an import, planted in a copy, that it must name.
WRONG_IMPORTS = {
    "vision knows pictures only": ("vision.astray", "import sqlalchemy"),
    "vision's stages: nothing runs up": ("vision.field.astray", "import vision.detection.spots"),
    "detection: parts below the detector": ("vision.detection.spots", "import vision.detection.profiles"),
    "families of renderers do not know each other": (
        "vision.synthetic.sprites.astray",
        "import vision.synthetic.raytraced.scene",
    ),
    "nothing at work draws photos or fits weights": ("webapp.astray", "import vision.synthetic.photos"),
    "scikit-learn serves training alone": ("webapp.astray", "import sklearn"),
    "models know no web and no pictures": ("models.astray", "import vision"),
    "joining, judging and tracing are pure": ("models.grades.astray", "import sqlalchemy"),
}


@pytest.fixture(scope="module")
def copy_of_packages(tmp_path_factory):
    """The three packages without what no import reaches, and the contracts."""
    copy = tmp_path_factory.mktemp("copy")
    for package in ("vision", "models", "webapp"):
        shutil.copytree(
            ROOT / package,
            copy / package,
            ignore=shutil.ignore_patterns("static", "templates", "__pycache__"),
        )
    shutil.copy(ROOT / "pyproject.toml", copy)
    return copy


def test_every_contract_has_a_wrong_import_to_fail_by():
    contracts = tomllib.loads((ROOT / "pyproject.toml").read_text())["tool"]["importlinter"]["contracts"]
    assert {contract["name"] for contract in contracts} == set(WRONG_IMPORTS)


@pytest.mark.parametrize("contract", sorted(WRONG_IMPORTS))
def test_each_contract_can_fail(contract, copy_of_packages):
    module, wrong = WRONG_IMPORTS[contract]
    path = copy_of_packages.joinpath(*module.split(".")).with_suffix(".py")
    before = path.read_text(encoding="utf-8") if path.exists() else None
    path.write_text(f"{before or ''}\n{wrong}\n", encoding="utf-8")
    tool = Path(sys.executable).with_name("lint-imports")
    try:
        done = subprocess.run(
            [tool, "--no-cache"], cwd=copy_of_packages, capture_output=True, text=True, check=False
        )
    finally:
        if before is None:
            path.unlink()
        else:
            path.write_text(before, encoding="utf-8")
    assert done.returncode != 0
    assert f"{contract} BROKEN" in done.stdout
    assert module in done.stdout


def test_the_wheel_holds_the_stages_and_no_renderer():
    packages = tomllib.loads((ROOT / "pyproject.toml").read_text())["tool"]["setuptools"]["packages"]["find"]
    found = set(PackageFinder.find(str(ROOT), packages["exclude"], packages["include"]))
    assert not {name for name in found if name.startswith(("vision.synthetic", "vision.training", "tests"))}
    stages = ("photo", "geometry", "field", "detection", "classification", "pictures", "gauge")
    assert {f"vision.{stage}" for stage in stages} | {"vision", "models", "webapp", "webapp.cli"} <= found


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
