"""What is judged: a sheet, its defects, and what was found out about it besides the photos."""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping
from dataclasses import dataclass, field, fields, replace
from decimal import Decimal
from typing import Any

from models.grades.errors import BadSheet
from models.grades.kinds import known, tidy
from models.grades.numbers import exact

USES = ("stock", "cut_size")


@dataclass(frozen=True, slots=True)
class DefectToJudge:
    """One defect on a sheet, all lengths in mm, in sheet coordinates.

    length_mm : largest dimension of the nucleus, or arc length of a line; None where it could not be sized.
    width_mm : largest dimension across it.  halo_mm : largest dimension of the distorted zone, None where
    none.
    detection_distance_mm : distance at which a person walking in first sees it.
    length_sd_mm, width_sd_mm : standard uncertainty of the sizes, None where not known.
    depth_mm : how far an edge fault goes into the thickness.  path_mm : points along a line, for its zone.
    ref : whatever the caller knows it by; carried along, never read.
    name : what reasons call it, such as S4; empty: its place in the list, from 1.
    length_at_most_mm : of a fault without length_mm the smallest size that its photo can measure, which it
    does not reach; infinite where nothing bounds it. None: the sheet's smallest_sized_mm holds, and where
    that is None too, nothing bounds it.
    open_at_mm : places where the fault runs out of all photos. length_mm is then the least that it can be:
    a line may go on from there, a spot may be larger.
    placed : False where nobody knows where it lies (a photo without scale); x_mm and y_mm then say nothing.
    """

    kind: str
    x_mm: float
    y_mm: float
    length_mm: float | None
    width_mm: float | None = None
    halo_mm: float | None = None
    detection_distance_mm: float | None = None
    length_sd_mm: float | None = None
    width_sd_mm: float | None = None
    depth_mm: float | None = None
    path_mm: tuple[tuple[float, float], ...] = ()
    ref: Any = None
    name: str = ""
    length_at_most_mm: float | None = None
    open_at_mm: tuple[tuple[float, float], ...] = ()
    placed: bool = True


@dataclass(frozen=True, slots=True)
class Reading:
    """Another way in which the finds of the photos can be put together, such as one scratch for two.

    defects : all defects of the sheet, read this way.  says : a sentence on why it is not known.
    finds : places in the sheet's own list of defects of those that it is about.
    """

    defects: tuple[DefectToJudge, ...]
    says: str
    finds: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Build:
    """How the pane is made up, for rules that change with it; the default is the base case of the grade's
    table.

    panes None means the number of panes for which the table is printed.
    """

    panes: int | None = None
    laminated_units: int = 0
    monolithic: bool = False
    interlayer_mm: float = 0.0
    installed: bool = False


@dataclass(frozen=True, slots=True)
class SheetToJudge:
    """A sheet with its defects and what limits the judgement.

    width_mm across the ribbon, length_mm along it, thickness_mm nominal, all positive.
    covered_fraction : part of the sheet photographed well enough, None where the defect list is known
    complete.
    smallest_sized_mm : smallest size the photos can measure, None where that does not limit.
    missing : sentences on what is still to be photographed.
    optical_angle_deg : angle at which distortion was first seen in the zebra test, None where not tested.
    answers : what a person answered to the questions of a grade, by question name.
    readings : other ways in which the finds of the photos can be put together; each must give the same
    answer, or the sheet is not judged.
    """

    width_mm: float
    length_mm: float
    thickness_mm: float
    use: str = "stock"
    defects: tuple[DefectToJudge, ...] = ()
    covered_fraction: float | None = None
    smallest_sized_mm: float | None = None
    missing: tuple[str, ...] = ()
    optical_angle_deg: float | None = None
    build: Build = Build()
    answers: Mapping[str, bool] = field(default_factory=dict)
    readings: tuple[Reading, ...] = ()


def size_at_most(defect: DefectToJudge, sheet: SheetToJudge) -> Decimal | None:
    """The size in mm that a defect without length_mm does not reach; None where nothing bounds it."""
    at_most = sheet.smallest_sized_mm if defect.length_at_most_mm is None else defect.length_at_most_mm
    return None if at_most is None or math.isinf(at_most) else exact(at_most)


def without_defects(sheet: SheetToJudge, gone: Collection[int]) -> SheetToJudge:
    """The sheet without the defects at these places, in each of its readings.

    What a reading shares with the sheet goes from it too. What is its own stays until all that it is about
    is gone; then it is no other reading any more.
    """
    readings = []
    for reading in sheet.readings:
        if set(reading.finds) <= set(gone):
            continue
        left = list(reading.defects)
        for i in gone:
            if sheet.defects[i] in left:
                left.remove(sheet.defects[i])
        finds = tuple(i - sum(g < i for g in gone) for i in reading.finds if i not in gone)
        readings.append(replace(reading, defects=tuple(left), finds=finds))
    kept = tuple(defect for i, defect in enumerate(sheet.defects) if i not in gone)
    return replace(sheet, defects=kept, readings=tuple(readings))


def with_defect(sheet: SheetToJudge, place: int, defect: DefectToJudge) -> SheetToJudge:
    """The sheet with another defect at this place, in each of the readings that share the one there was."""

    def changed(defects: tuple[DefectToJudge, ...]) -> tuple[DefectToJudge, ...]:
        return tuple(defect if one == sheet.defects[place] else one for one in defects)

    readings = tuple(replace(reading, defects=changed(reading.defects)) for reading in sheet.readings)
    defects = (*sheet.defects[:place], defect, *sheet.defects[place + 1 :])
    return replace(sheet, defects=defects, readings=readings)


_NO_SIZES = ("kind", "x_mm", "y_mm", "path_mm", "ref", "name", "open_at_mm", "placed")
_OPTIONAL = tuple(f.name for f in fields(DefectToJudge) if f.name not in _NO_SIZES)


def sheet_from_dict(data: Any, *, where: str) -> SheetToJudge:
    """A sheet read from JSON (keys as the fields of SheetToJudge and DefectToJudge).

    Raises BadSheet naming `where`, the key and what was expected.
    """
    if not isinstance(data, Mapping):
        raise BadSheet(f"{where}: expected an object with width_mm, length_mm, thickness_mm and defects")
    width = _size(data, "width_mm", where)
    length = _size(data, "length_mm", where)
    thickness = _size(data, "thickness_mm", where)
    use = data.get("use", "stock")
    if use not in USES:
        raise BadSheet(f"{where}: use: expected stock or cut_size, got {use!r}")
    listed = data.get("defects", [])
    if not isinstance(listed, list | tuple):
        raise BadSheet(f"{where}: defects: expected a list, got {_kind_of(listed)}")
    defects = tuple(_defect(one, f"{where}: defects[{i}]", width, length) for i, one in enumerate(listed))
    covered = _maybe(data, "covered_fraction", where)
    if covered is not None and covered > 1:
        raise BadSheet(f"{where}: covered_fraction: expected a number from 0 to 1, got {covered}")
    missing = data.get("missing", ())
    if isinstance(missing, str) or not all(isinstance(text, str) for text in missing):
        raise BadSheet(f"{where}: missing: expected a list of sentences")
    return SheetToJudge(
        width, length, thickness, use, defects, covered, _maybe(data, "smallest_sized_mm", where),
        tuple(missing), _maybe(data, "optical_angle_deg", where), _build(data.get("build", {}), where),
        _answers(data.get("answers", {}), where),
    )  # fmt: skip


def _defect(data: Any, where: str, width: float, length: float) -> DefectToJudge:
    if not isinstance(data, Mapping):
        raise BadSheet(f"{where}: expected an object with kind, x_mm, y_mm and length_mm")
    kind = data.get("kind")
    if not isinstance(kind, str) or not known(tidy(kind)):
        raise BadSheet(
            f"{where}.kind: expected a kind of defect such as bubble, stone or scratch, got {kind!r}"
        )
    x, y = _number(data, "x_mm", where), _number(data, "y_mm", where)
    for name, value, most in (("x_mm", x, width), ("y_mm", y, length)):
        if not 0 <= value <= most:
            raise BadSheet(f"{where}.{name}: expected a place on the sheet, 0 to {most:g} mm, got {value:g}")
    if "length_mm" not in data:
        raise BadSheet(f"{where}.length_mm: expected a size in mm (null where it could not be sized)")
    sizes: dict[str, Any] = {name: _maybe(data, name, where) for name in _OPTIONAL}
    open_at = _points(data, "open_at_mm", where)
    for px, py in open_at:
        if not (0 <= px <= width and 0 <= py <= length):
            raise BadSheet(
                f"{where}.open_at_mm: expected places on the sheet, 0 to {width:g} and 0 to {length:g} mm, "
                f"got [{px:g}, {py:g}]"
            )
    return DefectToJudge(
        kind=tidy(kind), x_mm=x, y_mm=y, path_mm=_points(data, "path_mm", where), ref=data.get("ref"),
        name="", open_at_mm=open_at, **sizes,
    )  # fmt: skip


def _points(data: Mapping[str, Any], key: str, where: str) -> tuple[tuple[float, float], ...]:
    try:
        points = tuple((float(px), float(py)) for px, py in data.get(key) or ())
        if all(math.isfinite(value) for point in points for value in point):
            return points
    except (TypeError, ValueError):
        pass
    raise BadSheet(f"{where}.{key}: expected a list of [x, y] points in mm")


def _number(data: Mapping[str, Any], key: str, where: str) -> float:
    value = data.get(key)
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        raise BadSheet(f"{where}.{key}: expected a number, got {_kind_of(value)}")
    return value


def _maybe(data: Mapping[str, Any], key: str, where: str) -> float | None:
    if data.get(key) is None:
        return None
    value = _number(data, key, where)
    if value < 0:
        raise BadSheet(f"{where}.{key}: expected a number that is not negative, got {value:g}")
    return value


def _size(data: Mapping[str, Any], key: str, where: str) -> float:
    value = _number(data, key, where)
    if value <= 0:
        raise BadSheet(f"{where}.{key}: expected a length above 0 mm, got {value:g}")
    return value


def _build(data: Any, where: str) -> Build:
    if not isinstance(data, Mapping):
        raise BadSheet(f"{where}: build: expected an object, got {_kind_of(data)}")
    names = {f.name for f in fields(Build)}
    for key, value in data.items():
        if key not in names:
            raise BadSheet(f"{where}: build.{key}: expected one of {', '.join(sorted(names))}")
        if key in ("monolithic", "installed"):
            if not isinstance(value, bool):
                raise BadSheet(f"{where}: build.{key}: expected true or false, got {value!r}")
        elif _number(data, key, f"{where}: build") < 0:
            raise BadSheet(f"{where}: build.{key}: expected a number that is not negative, got {value!r}")
    return Build(**data)


def _answers(data: Any, where: str) -> dict[str, bool]:
    if not isinstance(data, Mapping) or not all(isinstance(v, bool) for v in data.values()):
        raise BadSheet(f"{where}: answers: expected an object of true or false by question name")
    return dict(data)


def _kind_of(value: Any) -> str:
    return "nothing" if value is None else f"{type(value).__name__} {value!r}"[:60]
