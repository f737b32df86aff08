"""Grade files (TOML) into grades. The only place of this package that reads from disk."""

from __future__ import annotations

import hashlib
import tomllib
from decimal import Decimal
from pathlib import Path
from typing import Any

from models.grades.case import Sizing, Zone
from models.grades.errors import BadGrade
from models.grades.grade import Grade, GradeBook, Modifiers, PackAverage, Viewing
from models.grades.kinds import known, tidy
from models.grades.load_rules import read_rule, smallest_class
from models.grades.numbers import Interval
from models.grades.sheet import USES
from models.grades.table import Table

SETS = Path(__file__).parent / "sets"


def load_sets(directory: Path | str | None = None) -> GradeBook:
    """All grades of the .toml files in a folder, by default those that come with the program.

    Raises BadGrade naming file and key for a file that is no grade file, or for an id used twice.
    """
    folder = SETS if directory is None else Path(directory)
    if not folder.is_dir():
        raise BadGrade(f"{folder}: expected a folder of grade files")
    grades: dict[str, Grade] = {}
    for path in sorted(folder.glob("*.toml")):
        for grade in read_file(path):
            if grade.id in grades:
                raise BadGrade(f"{path.name}: grade {grade.id!r} is already in another file")
            grades[grade.id] = grade
    return GradeBook(grades)


def read_file(path: Path) -> tuple[Grade, ...]:
    """The grades of one file."""
    try:
        text = path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as problem:
        raise BadGrade(f"{path.name}: cannot be read as text ({problem})") from None
    return grades_from_text(text, where=path.name)


def grades_from_text(text: str, *, where: str, plant: bool = False) -> tuple[Grade, ...]:
    """The grades in a TOML text; `where` names it in complaints, `plant` marks the plant's own."""
    try:
        data = tomllib.loads(text, parse_float=Decimal)
    except tomllib.TOMLDecodeError as problem:
        raise BadGrade(f"{where}: not a TOML file ({problem})") from None
    return grades_from_dict(data, where=where, sha256=hashlib.sha256(text.encode()).hexdigest(), plant=plant)


def grades_from_dict(
    data: dict[str, Any], *, where: str, sha256: str = "", plant: bool = False
) -> tuple[Grade, ...]:
    """The grades in a grade file's content."""
    top = Table(data, where)
    common = {
        "standard": top.text("standard"),
        "edition": top.text("edition"),
        "version": top.text("version"),
        "source": top.text("source"),
    }
    remembered = top.flag("remembered", False)
    ladder = top.texts("ladder")
    notes = top.texts("notes")
    places_read = top.whole("places_read") if "places_read" in top else 0
    shared = top.tables("rule")
    tables = top.tables("grade")
    if not tables:
        raise BadGrade(f"{where}: grade: expected at least one [[grade]]")
    viewing = _viewing(top.table("viewing"))
    sizing = _sizing(top.table("size"))
    area = _area(top)
    setting = _setting(top)
    top.done()
    grades = []
    for table in tables:
        grades.append(
            _grade(
                table, common, shared, ladder=ladder, notes=notes, viewing=viewing, sizing=sizing, area=area,
                setting=setting, remembered=remembered, sha256=sha256, plant=plant,
                places_read=places_read,
            )
        )  # fmt: skip
    ids = [grade.id for grade in grades]
    for name in ids:
        if ids.count(name) > 1:
            raise BadGrade(f"{where}: grade: the id {name!r} is used twice")
    for name in ladder:
        if name not in ids:
            raise BadGrade(f"{where}: ladder: expected ids of grades in this file, got {name!r}")
    return tuple(grades)


def _grade(
    table: Table,
    common: dict[str, str],
    shared: tuple[Table, ...],
    *,
    ladder: tuple[str, ...],
    notes: tuple[str, ...],
    viewing: Viewing,
    sizing: Sizing,
    area: tuple[int | None, str],
    setting: dict[str, Any],
    remembered: bool,
    sha256: str,
    plant: bool,
    places_read: int,
) -> Grade:
    grade_id = table.text("id")
    if not all(c.isalnum() or c in "-." for c in grade_id) or grade_id != grade_id.lower():
        raise table.fail("id", "small letters, digits, dots and hyphens")
    source = table.text("source", common["source"])
    remembered = table.flag("remembered", remembered)
    setting = {**setting, **_setting(table)}
    if "area" in table:
        area = _area(table)
    zones = setting.get("zones", ())
    intensities = setting.get("intensities", ())
    rules = [
        read_rule(
            rule, i, source=source, remembered=remembered, area=area, zones=zones, intensities=intensities
        )
        for i, rule in enumerate((*table.tables("rule"), *shared))
    ]
    if not rules:
        raise table.fail("rule", "at least one rule")
    averages = tuple(
        _average(one, i, source, remembered) for i, one in enumerate(table.tables("pack_average"))
    )
    stated = table.maybe("smallest_class_mm")
    smallest = smallest_class(rules) if stated is None else stated
    thickness = table.interval("thickness")
    thicknesses = table.numbers("thicknesses")
    uses = table.texts("uses") or USES
    for use in uses:
        if use not in USES:
            raise table.fail("uses", "stock, cut_size or both")
    own_viewing, own_sizing = table.table("viewing"), table.table("size")
    grade = Grade(
        id=grade_id,
        title=table.text("title"),
        rules=tuple(rules),
        sha256=sha256,
        remembered=remembered,
        viewing=viewing if own_viewing is None else _viewing(own_viewing),
        sizing=sizing if own_sizing is None else _sizing(own_sizing),
        area_decimals=area[0],
        area_rounding=area[1],
        thickness=thickness,
        thicknesses=thicknesses,
        uses=tuple(uses),
        smallest_side_mm=table.maybe("smallest_side_mm"),
        smallest_area_m2=table.maybe("smallest_area_m2"),
        largest_area_m2=table.maybe("largest_area_m2"),
        smallest_class_mm=None if smallest is None else float(smallest),
        averages=averages,
        ladder=ladder,
        notes=notes + table.texts("notes"),
        plant=plant,
        places_read=0 if remembered else places_read,
        source=source,
        standard=common["standard"],
        edition=common["edition"],
        version=common["version"],
        **setting,
    )
    table.done()
    return grade


def _setting(table: Table) -> dict[str, Any]:
    """What a file may say once for all its grades or anew in each: zones, intensities, equivalents, build."""
    setting: dict[str, Any] = {}
    if "zone" in table:
        setting["zones"] = _zones(table)
    if "zones_words" in table:
        setting["zones_words"] = table.text("zones_words")
    if "intensity" in table:
        setting["intensities"] = tuple(_intensity(one) for one in table.tables("intensity"))
    if "equivalent" in table:
        setting["equivalents"] = dict(_equivalent(one) for one in table.tables("equivalent"))
    build = table.table("build")
    if build is not None:
        setting["base_panes"] = build.whole("panes") if "panes" in build else 1
        setting["modifiers"] = _modifiers(build)
    return setting


def _intensity(table: Table) -> tuple[str, Interval]:
    name, distance = table.text("name"), _needed(table, "distance")
    table.done()
    return name, distance


def _needed(table: Table, key: str) -> Interval:
    interval = table.interval(key)
    if interval is None:
        raise table.fail(key, "an interval such as [0.5, 1.0)")
    return interval


def _zones(table: Table) -> tuple[Zone, ...]:
    zones = []
    tables = table.tables("zone")
    for i, one in enumerate(tables):
        zone = Zone(
            one.text("name"),
            one.maybe("to_mm"),
            one.maybe("to_fraction"),
            one.flag("outer_end_in", False),
            one.flag("ignored", False),
        )
        last = i == len(tables) - 1
        if (zone.to_mm is None and zone.to_fraction is None) != last:
            raise one.fail("to_mm", "to_mm or to_fraction in each zone but the innermost, which comes last")
        one.done()
        zones.append(zone)
    return tuple(zones)


def _equivalent(table: Table) -> tuple[str, tuple[str, Decimal]]:
    kind, like = tidy(table.text("kind")), tidy(table.text("counts_as"))
    for key, name in (("kind", kind), ("counts_as", like)):
        if not known(name):
            raise table.fail(key, "a kind of defect")
    size = table.number("size_mm")
    table.done()
    return kind, (like, size)


def _modifiers(table: Table) -> Modifiers:
    modifiers = Modifiers(
        table.maybe("per_extra_pane") or Decimal(0),
        table.maybe("per_laminated_unit") or Decimal(0),
        table.maybe("monolithic") or Decimal(1),
        table.maybe("thick_interlayer_mm"),
        table.maybe("thick_interlayer_plus") or Decimal(0),
        table.maybe("installed_lengths") or Decimal(1),
        table.maybe("lengths_up_to_full_mm"),
    )
    table.done()
    return modifiers


def _viewing(table: Table | None) -> Viewing:
    if table is None:
        return Viewing()
    distance, angle = table.maybe("distance_mm"), table.maybe("angle_deg")
    viewing = Viewing(
        None if distance is None else float(distance),
        None if angle is None else float(angle),
        table.text("light", ""),
        table.text("background", ""),
        table.text("time", ""),
        table.text("text", ""),
    )
    table.done()
    return viewing


def _sizing(table: Table | None) -> Sizing:
    if table is None:
        return Sizing()
    sizing = Sizing(
        table.choice("measure", ("largest", "mean"), "largest"),
        table.choice("halo", ("ignore", "factor", "include"), "ignore"),
        table.maybe("halo_factor") or Decimal(1),
    )
    table.done()
    return sizing


def _area(table: Table) -> tuple[int | None, str]:
    area = table.table("area")
    if area is None:
        return None, "none"
    decimals = area.whole("decimals")
    how = area.rounding("rounding", "half_even")
    area.done()
    return decimals, how


def _average(table: Table, i: int, source: str, remembered: bool) -> PackAverage:
    average = PackAverage(
        table.text("name", f"average {i + 1}"),
        table.text("clause"),
        table.text("source", source),
        table.flag("remembered", remembered),
        table.kinds("kinds"),
        table.interval("size"),
        table.number("most"),
        table.number("per_m2"),
    )
    table.done()
    return average


def source_text(grade: Grade, directory: Path | str | None = None) -> str | None:
    """The text of the file that a grade was read from, found by its hash; None where it is not in the
    folder.
    """
    for path in sorted((SETS if directory is None else Path(directory)).glob("*.toml")):
        text = path.read_text(encoding="utf-8")
        if hashlib.sha256(text.encode()).hexdigest() == grade.sha256:
            return text
    return None
