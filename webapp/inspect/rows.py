"""Finds and defects of a sheet as the page lists them and as they are drawn over the photos."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

from flask import url_for

from models.inspections.deciding import FindView
from models.records import Defect, Photo
from models.sheet.labels import defect_label
from models.sheet.size_words import size_words
from vision.flags import FIND_FLAGS, Flag
from webapp import bridge
from webapp.figures.marks import NOT_GLASS, mark_for

STATE_WORDS = {
    "open": "",
    "confirmed": "confirmed",
    "changed": "confirmed with a change",
    "dismissed": "dismissed",
    "apart": "set apart",
    "hand": "added by hand",
    "import": "from an imported file",
}
STATE_SIGNS = {
    "open": "?",
    "confirmed": "✓",
    "changed": "✓",
    "dismissed": "×",
    "apart": "",
    "hand": "+",
    "import": "+",
}
#: a find that runs out of all photos: how it is said beside its size
OPEN_LINE = Flag(
    "open_line", "end not seen", "Its end lies outside the photos: photograph there, or enter the length."
)
OPEN_SPOT = Flag(
    "open_spot", "cut off", "It lies on the border of its photo and may be larger: photograph there."
)
#: half the side of the mark for a defect that was entered by its place alone, px of the photo
BARE_MARK_PX = 12.0


@dataclass(frozen=True, slots=True)
class Row:
    """One line of the list. `id` is "f12" for a find, "d5" for a defect without one."""

    id: str
    label: str
    shape: str
    words: str
    small: str
    state: str
    kind: str
    length: str
    width: str
    seen_from: str
    flags: tuple[Flag, ...]
    history: str
    by_hand: bool
    urls: dict[str, str]
    defect_id: int | None
    selected: bool = False


@dataclass(frozen=True, slots=True)
class PhotoMark:
    """One mark over one photo, in pixels of the upright photo."""

    id: str
    label: str
    shape: str
    state: str
    text: str
    x: float
    y: float
    w: float
    h: float
    path: list[Any] | None = field(default=None)


def find_row(view: FindView, selected: str | None) -> Row:
    """The line of a find, with the defect that all photos show there."""
    find, group, defect = view.find, view.group, view.defect
    apart = group.decision == "undecided" and group.not_glass is not None
    state = "apart" if apart else "open" if group.undecided else group.decision
    kind = defect.kind if defect is not None else view.best.kind
    sign = NOT_GLASS if apart else mark_for(kind)
    source: Any = defect if defect is not None and not group.asks else view.best
    row_id = f"f{find.id}"
    what = f"{group.not_glass}?" if apart else kind
    return Row(
        id=row_id,
        label=group.name,
        shape=sign.shape,
        words=f"{what} {size_words(source.length_mm, source.length_sd_mm, _is_open(source))}",
        small=", ".join(filter(None, (place_words(source.x_mm, source.y_mm), STATE_WORDS[state]))),
        state=state,
        kind=kind,
        length=_typed(source.length_mm),
        width=_typed(source.width_mm),
        seen_from=_typed(defect.detection_distance_mm if defect is not None else None),
        flags=_flags(view, source),
        history=_history(view),
        by_hand=False,
        urls=_find_urls(find.id, state),
        defect_id=None if defect is None else defect.id,
        selected=row_id == selected,
    )


def defect_row(defect: Defect, selected: str | None) -> Row:
    """The line of a defect that no find stands for."""
    sign = mark_for(defect.kind)
    row_id = f"d{defect.id}"
    state = "hand" if defect.source != "import" else "import"
    return Row(
        id=row_id,
        label=defect_label(defect.number),
        shape=sign.shape,
        words=f"{defect.kind} {size_words(defect.length_mm, defect.length_sd_mm)}",
        small=", ".join(filter(None, (place_words(defect.x_mm, defect.y_mm), STATE_WORDS[state]))),
        state=state,
        kind=defect.kind,
        length=_typed(defect.length_mm),
        width=_typed(defect.width_mm),
        seen_from=_typed(defect.detection_distance_mm),
        flags=(),
        history=defect.note or "",
        by_hand=True,
        urls={
            "main": url_for("inspect.withdraw", defect_id=defect.id),
            "dismiss": url_for("inspect.withdraw", defect_id=defect.id),
            "change": url_for("inspect.change_defect", defect_id=defect.id),
        },
        defect_id=defect.id,
        selected=row_id == selected,
    )


def find_mark(view: FindView, row: Row) -> PhotoMark:
    """Where a find is drawn on its own photo. `row` is that of the find which stands for the spot."""
    find = view.find
    x, y, w, h = find.box_px or (find.x_px, find.y_px, 0.0, 0.0)
    sign = STATE_SIGNS[row.state]
    text = f"{row.label}: {row.words}, {row.small}"
    if view.same_as_id is not None:
        text += "; seen in another photo too"
    return PhotoMark(
        row.id,
        f"{row.label} {sign}".strip(),
        row.shape,
        row.state,
        text,
        x + w / 2,
        y + h / 2,
        w,
        h,
        find.path_px,
    )


def hand_marks(photo: Photo, defects: Sequence[tuple[Defect, Row]]) -> list[PhotoMark]:
    """Where defects without a find are drawn on this photo: those that lie in what it shows."""
    placed = [(d, row) for d, row in defects if d.x_mm is not None and d.y_mm is not None]
    frame = (photo.result or {}).get("frame")
    if frame is None or not placed or not photo.width_px or not photo.height_px:
        return []
    places = bridge.places_px(frame, [(d.x_mm or 0.0, d.y_mm or 0.0) for d, _ in placed])
    marks = []
    for (defect, row), (x, y) in zip(placed, places, strict=True):
        if 0 <= x <= photo.width_px and 0 <= y <= photo.height_px:
            half = BARE_MARK_PX
            if defect.length_mm and photo.mm_per_px:
                half = max(half, defect.length_mm / photo.mm_per_px / 2)
            path = bridge.places_px(frame, [tuple(p) for p in defect.path_mm]) if defect.path_mm else None
            label = f"{row.label} {STATE_SIGNS[row.state]}"
            text = f"{row.label}: {row.words}, {row.small}"
            marks.append(PhotoMark(row.id, label, row.shape, row.state, text, x, y, 2 * half, 2 * half, path))
    return marks


def place_words(x_mm: float | None, y_mm: float | None) -> str:
    """A place on the sheet."""
    return "" if x_mm is None or y_mm is None else f"x {x_mm:.0f}, y {y_mm:.0f} mm"


def _is_open(source: Any) -> bool:
    return bool(getattr(source, "open_at_mm", None))


def _flags(view: FindView, source: Any) -> tuple[Flag, ...]:
    """What to know of a find: what its photo says of it, unless another photo shows it whole, and open
    ends.
    """
    names = [name for name in view.find.flags or () if name in FIND_FLAGS and name != "touches_edge"]
    flags = tuple(FIND_FLAGS[name] for name in names)
    if _is_open(source):
        return (OPEN_LINE if view.find.path_mm else OPEN_SPOT, *flags)
    return flags


def _typed(value: float | None) -> str:
    return "" if value is None else f"{value:.3f}".rstrip("0").rstrip(".")


def _find_urls(find_id: int, state: str) -> dict[str, str]:
    main = "inspect.confirm" if state in ("open", "apart") else "inspect.take_back"
    return {
        "main": url_for(main, find_id=find_id),
        "dismiss": url_for("inspect.dismiss", find_id=find_id),
        "change": url_for("inspect.change", find_id=find_id),
    }


def _history(view: FindView) -> str:
    """What was measured, where a person has said something else."""
    best, defect = view.best, view.defect
    if view.group.asks:
        return f"Decide again: {view.group.asks}."
    if defect is None or view.decision != "changed":
        return ""
    return f"As measured: {best.kind} {size_words(best.length_mm, best.length_sd_mm)}."
