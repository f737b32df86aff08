"""What was seen of the sheet, in the dossier: what was looked at, defects, photos with their finds."""

from collections.abc import Callable, Sequence
from datetime import datetime

from reportlab.lib.units import mm
from reportlab.platypus import Flowable, KeepTogether, Spacer

from models.history_records import PhotoHistory, SheetHistory
from models.sheet.looked_words import none_words
from webapp.dossier.drawings import KindSign, PhotoPicture
from webapp.dossier.style import BODY, CELL, LARGE, SECTION, SMALL, WIDTH, grid, section, words
from webapp.figures.history_rows import FindRow, defect_rows, find_rows, looked_headline
from webapp.figures.story import find_list

__all__ = ["defects_part", "looked_part", "photos_part"]

Clock = Callable[[datetime], str]


def looked_part(history: SheetHistory, clock: Clock) -> list[Flowable]:
    """Which parts of the sheet were looked at, how, by whom and when."""
    parts = [*section("What was looked at"), words(looked_headline(history), BODY)]
    rows: list[list[object]] = [
        [
            look.part,
            look.how + (f"; {look.note}" if look.note else ""),
            look.by or "not known",
            "not known" if look.at is None else clock(look.at),
        ]
        for look in history.looks
    ]
    if rows:
        parts += [Spacer(1, 3), grid(["Part", "How", "Who", "When"], rows, [2.8, 4.4, 2.0, 2.0])]
    return parts


def defects_part(history: SheetHistory, clock: Clock) -> list[Flowable]:
    """Every defect with all its revisions."""
    if not history.defects:
        none = none_words(history.sheet.looked_fraction)
        return [KeepTogether([words("Defects on record", SECTION), words(none)])]
    rows: list[list[object]] = []
    for row in defect_rows(history):
        r = row.revision
        who = f", {r.recorded_by}" if r.recorded_by else ""
        note = f". {row.note}" if row.note else ""
        rows.append(
            [
                row.label,
                KindSign(row.mark, row.kind),
                row.size,
                "no place" if r.x_mm is None else f"{r.x_mm:.0f}",
                "" if r.y_mm is None else f"{r.y_mm:.0f}",
                f"{row.source}, {clock(r.recorded_at)}{who}{note}",
            ]
        )
    heads = ["Defect", "Kind", "Size, mm", "From left, mm", "From leading edge, mm", "How and when recorded"]
    table = grid(heads, rows, [0.8, 2.2, 2.2, 1.2, 1.4, 4.4], numbers=(0, 3, 4))
    return [*section("Defects on record"), table]


def photos_part(
    history: SheetHistory, photo_bytes: Callable[[PhotoHistory], bytes | None], clock: Clock
) -> list[Flowable]:
    """Every photo with its finds and what was decided about them."""
    if not history.photos:
        none = words("No photo of this sheet is on record.")
        return [KeepTogether([words("Photos and finds", SECTION), none])]
    parts: list[Flowable] = []
    kinds = {number: defect.kind for number, defect in history.counted}
    for n, photo in enumerate(history.photos):
        block: list[Flowable] = [words("Photos and finds", SECTION)] if n == 0 else [Spacer(1, 9)]
        jpeg = photo_bytes(photo)
        if jpeg is not None and photo.width_px and photo.height_px:
            block.append(PhotoPicture(jpeg, photo, photo.number, kinds, WIDTH, 105 * mm))
        else:
            block.append(
                words("The picture itself cannot be shown: its file is missing or could not be read.")
            )
        block += [
            Spacer(1, 3),
            words(f"Photo {photo.number}: {photo.name}", LARGE if len(photo.name) < 40 else BODY),
            words(_taken(photo, clock), SMALL),
        ]
        block += [words(message, CELL) for message in photo.messages]
        parts.append(KeepTogether(block))
        if photo.finds:
            heads = ["Find", "Flagged as", "Size, mm", "Score", "Decided"]
            rows = _find_rows(find_rows(photo, clock))
            parts += [Spacer(1, 3), grid(heads, rows, [1.2, 2.6, 2.0, 0.8, 5.0], numbers=(3,))]
    legend = (
        "In dashes: not glass, or dismissed. A number alone is that of a defect; 2-7 is find 7 of photo 2, "
        "which is no defect on record."
    )
    return [*parts, Spacer(1, 2), words(legend, SMALL)]


def _taken(photo: PhotoHistory, clock: Clock) -> str:
    lighting = {"dark_field": "dark field", "bright_field": "bright field"}.get(
        photo.lighting or "", "lighting not known"
    )
    by = f" by {photo.added_by}" if photo.added_by else ""
    scale = "no scale, so nothing is sized"
    if photo.mm_per_px:
        source = "from reference tags" if photo.scale_source == "tags" else "as given"
        scale = f"{photo.mm_per_px:.3f} mm per pixel {source}"
    sized = f", sizes from {photo.smallest_sized_mm:.2f} mm" if photo.smallest_sized_mm else ""
    covered = (
        ""
        if photo.covered_fraction is None
        else f", {100 * photo.covered_fraction:.0f} % of its field covered"
    )
    return f"Added {clock(photo.added_at)}{by}; {lighting}, {scale}{sized}{covered}."


def _find_rows(finds: Sequence[FindRow]) -> list[list[object]]:
    """One row a find; finds dismissed once, for the same reason by the same person, share a row."""
    rows: list[list[object]] = []
    shared: dict[tuple[object, ...], list[FindRow]] = {}
    for row in finds:
        said = row.find.decision
        alone = len(row.find.decisions) == 1 and not row.joined and not row.find.asks
        if said is not None and said.decision == "dismissed" and alone:
            shared.setdefault((row.flagged, said.reason, said.by), []).append(row)
        else:
            rows.append(_cells(row, row.label, row.size, f"{row.find.score:.2f}"))
    for group in shared.values():
        first = group[0]
        if len(group) == 1:
            rows.append(_cells(first, first.label, first.size, f"{first.find.score:.2f}"))
            continue
        places = [(d.photo_number, d.find_number) for row in group for d in row.find.decisions]
        rows.append(_cells(first, find_list(places), "", ""))
    return rows


def _cells(row: FindRow, label: str, size: str, score: str) -> list[object]:
    flagged: list[Flowable] = [KindSign(row.mark, row.flagged)]
    if row.joined:
        flagged.append(words(row.joined, CELL))
    told = "; then ".join(f"{said.text} (no longer holds)" if said.past else said.text for said in row.told)
    return [label, flagged, size, score, told]
