"""The grade files' README names every shape and every key that the files use."""

import re
import tomllib
from pathlib import Path
from typing import Any

import pytest

from models.grades.load import SETS
from models.grades.load_rules import SHAPES

TEXT = (SETS / "README.md").read_text(encoding="utf-8")
NAMED = set(re.findall(r"`\[*([a-z_0-9. ]+?)\]*`", TEXT))


def keys_in(value: Any) -> set[str]:
    if isinstance(value, dict):
        return set(value) | {key for one in value.values() for key in keys_in(one)}
    if isinstance(value, list):
        return {key for one in value for key in keys_in(one)}
    return set()


def test_every_shape_of_rule_is_described() -> None:
    assert set(SHAPES) <= NAMED


@pytest.mark.parametrize("path", sorted(SETS.glob("*.toml")), ids=lambda path: Path(path).name)
def test_every_key_of_a_grade_file_is_described(path: Path) -> None:
    used = keys_in(tomllib.loads(path.read_text(encoding="utf-8"))) - {"grade", "rule"}
    assert used - NAMED - {"pack_average"} == set()
