"""The sheet page: everything it shows, worked out once for the page, its panel and its scripts."""

from dataclasses import asdict, dataclass
from typing import Any

from flask import render_template, url_for
from flask_login import current_user
from sqlalchemy import select
from sqlalchemy.orm import Session

from models import inspections, setups
from models.errors import NoSuchSheet
from models.grades import SAFETY, GradeBook
from models.grades.kinds import KINDS
from models.inspections import FindView
from models.packs import PackStanding, pack_standing
from models.records import Defect, Job, Photo, SavedSetup, Sheet, User
from vision.flags import PHOTO_FLAGS
from webapp.figures.marks import MARKS
from webapp.inspect.blueprint import may_inspect
from webapp.inspect.looked_view import DoubtLine, LookedView, doubt_lines, looked_view
from webapp.inspect.news import news_for_sheet
from webapp.inspect.plan import Plan, draw_plan
from webapp.inspect.rows import PhotoMark, Row, defect_row, find_mark, find_row, hand_marks
from webapp.inspect.verdicts import Outcome, ReasonLine, outcome_of, reasons_of, verdict_words
from webapp.view_helpers import show_time

DISMISS_REASONS = ("dust", "lint", "marker", "drip", "finger mark", "reflection", "nothing there")
BROAD_KINDS = {"point", "linear", "edge", "area", "foreign"}
FINISHED = ("finished", "recorded", "passed_by")


@dataclass(frozen=True, slots=True)
class PhotoTab:
    """One photo of the sheet: its tab, its picture, the marks over it."""

    id: int
    name: str
    title: str
    state: str
    says: str
    url: str
    width_px: int | None
    height_px: int | None
    sentences: tuple[str, ...]
    marks: tuple[PhotoMark, ...]


@dataclass(frozen=True, slots=True)
class SheetView:
    """The page."""

    id: int
    label: str
    line_id: int
    state: str
    state_words: str
    size_words: str
    order_words: str
    can_act: bool
    outcome: Outcome
    reasons: tuple[ReasonLine, ...]
    rows: tuple[Row, ...]
    apart: tuple[Row, ...]
    photos: tuple[PhotoTab, ...]
    shown: PhotoTab | None
    plan: Plan
    setups: tuple[SavedSetup, ...]
    grades: tuple[tuple[str, str], ...]
    news: tuple[str, ...]
    looked: LookedView
    doubts: tuple[DoubtLine, ...]
    pack: PackStanding | None

    @property
    def open_count(self) -> int:
        """How many finds still wait for a word."""
        return sum(row.state == "open" for row in self.rows)

    @property
    def finds_title(self) -> str:
        """The heading of the list."""
        if not self.rows:
            return "Finds"
        waiting = f"{self.open_count} to decide" if self.open_count else "all decided"
        return f"Finds: {len(self.rows)}, {waiting}"

    @property
    def no_finds_words(self) -> str:
        """What stands where the list is empty."""
        if not self.photos:
            return "Nothing was photographed yet."
        if any(photo.state == "waiting" for photo in self.photos):
            return "The photos are being looked at."
        return "Nothing was found in the photos."


def sheet_view(
    session: Session,
    book: GradeBook,
    sheet_id: int,
    *,
    photo_id: int | None = None,
    selected: str | None = None,
) -> SheetView:
    """The page of a sheet. Raises NoSuchSheet."""
    sheet = get_sheet(session, sheet_id)
    seen = inspections.sheet_seen(session, sheet_id)
    finds = inspections.finds_of(session, sheet_id, seen)
    defects = inspections.defects_of(session, sheet_id)
    photos = inspections.photos_of(session, sheet_id)
    numbers = {photo.id: number for number, photo in enumerate(photos, start=1)}
    rows = {view.find.id: find_row(view, selected) for view in finds}
    listed = [view for view in finds if view.same_as_id is None or view.same_as_id not in rows]
    by_hand = _by_hand(defects, listed, selected)
    labels = _labels(listed, rows, by_hand)
    judged = outcome_of(session, book, sheet)
    tabs = tuple(_tab(session, photo, numbers[photo.id], finds, rows, by_hand) for photo in photos)
    main = [rows[view.find.id] for view in listed]
    return SheetView(
        id=sheet.id,
        label=sheet.label,
        line_id=sheet.line_id,
        state=sheet.state,
        state_words=_state_words(session, book, sheet),
        size_words=f"{sheet.width_mm:.0f} × {sheet.length_mm:.0f} × {sheet.thickness_mm:g} mm",
        order_words=_order_words(sheet),
        can_act=may_inspect() and sheet.state not in FINISHED,
        outcome=judged.outcome,
        reasons=reasons_of(judged.judged, labels),
        rows=tuple([row for row in main if row.state != "apart"] + [row for _, row in by_hand]),
        apart=tuple(row for row in main if row.state == "apart"),
        photos=tabs,
        shown=next((tab for tab in tabs if tab.id == photo_id), tabs[0] if tabs else None),
        plan=draw_plan(
            sheet,
            judged.coverage,
            defects,
            photos,
            looks=[inspections.statement_of(look) for look in inspections.looks_of(session, sheet_id)],
            judged=None if judged.judged is None else judged.judged.sheet,
            reasons=() if judged.judged is None else judged.judged.decision.verdicts[0].reasons,
        ),
        setups=tuple(setups.list_setups(session, sheet.line_id)),
        grades=tuple((name, book.grade(name).title) for name in book.ids()),
        news=news_for_sheet(session, sheet),
        looked=looked_view(session, sheet_id, judged.coverage),
        doubts=doubt_lines(seen),
        pack=None if sheet.pack_id is None else pack_standing(session, book, sheet.pack_id),
    )


def sheet_state(view: SheetView) -> dict[str, Any]:
    """The sheet for the page's scripts: rendered parts and the marks of each photo."""
    words = words_for_forms()
    return {
        "photos": [asdict(photo) for photo in view.photos],
        "panel": render_template("inspect/_panel.html", view=view, **words),
        "tabs": render_template("inspect/_tabs.html", view=view),
        "outcome": view.outcome.words,
    }


def progress_of(session: Session, sheet_id: int) -> list[dict[str, Any]]:
    """How far each photo of the sheet is: [{"id", "state", "says"}]."""
    return [
        {"id": photo.id, "state": photo.state, "says": _says(session, photo)}
        for photo in inspections.photos_of(session, sheet_id)
    ]


def words_for_forms() -> dict[str, Any]:
    """The words that the panel's forms offer."""
    return {
        "main_kinds": [{"name": mark.kind, "shape": mark.shape} for mark in MARKS.values()],
        "finer_kinds": sorted(set(KINDS) - BROAD_KINDS - set(MARKS)),
        "dismiss_reasons": DISMISS_REASONS,
        "safety": SAFETY,
    }


def get_sheet(session: Session, sheet_id: int) -> Sheet:
    """The sheet of this number. Raises NoSuchSheet."""
    sheet = session.get(Sheet, sheet_id)
    if sheet is None:
        msg = f"sheet number {sheet_id}: there is no such sheet"
        raise NoSuchSheet(msg)
    return sheet


def _by_hand(defects: list[Defect], finds: list[FindView], selected: str | None) -> list[tuple[Defect, Row]]:
    """Defects that none of the listed finds stands for: added by hand, imported, or from an earlier look."""
    shown = {view.defect.id for view in finds if view.defect is not None}
    return [(defect, defect_row(defect, selected)) for defect in defects if defect.id not in shown]


def _labels(
    finds: list[FindView], rows: dict[int, Row], by_hand: list[tuple[Defect, Row]]
) -> dict[tuple[str, int], Row]:
    """The row of each thing that a reason may point to, by ("defect" or "find", record number)."""
    labels = {("find", view.find.id): rows[view.find.id] for view in finds}
    labels |= {("defect", v.defect.id): rows[v.find.id] for v in finds if v.defect is not None}
    return labels | {("defect", defect.id): row for defect, row in by_hand}


def _tab(
    session: Session,
    photo: Photo,
    number: int,
    finds: list[FindView],
    rows: dict[int, Row],
    by_hand: list[tuple[Defect, Row]],
) -> PhotoTab:
    own = [view for view in finds if view.photo.id == photo.id]
    marks = [find_mark(view, rows.get(view.same_as_id or 0) or rows[view.find.id]) for view in own]
    result = photo.result or {}
    flags = [PHOTO_FLAGS[name].text for name in result.get("flags") or () if name in PHOTO_FLAGS]
    messages = [str(sentence) for sentence in result.get("messages") or ()]
    return PhotoTab(
        id=photo.id,
        name=photo.name,
        title=f"Photo {number}",
        state=photo.state,
        says=_says(session, photo),
        url=url_for("photos.view", photo_id=photo.id),
        width_px=photo.width_px,
        height_px=photo.height_px,
        sentences=tuple(dict.fromkeys(messages or flags)) + ((photo.message,) if photo.message else ()),
        marks=tuple(marks + hand_marks(photo, by_hand)),
    )


def _says(session: Session, photo: Photo) -> str:
    """The short word under a photo's tab."""
    if photo.state == "failed":
        return "could not be read"
    if photo.state == "inspected":
        if photo.smallest_sized_mm is None:
            return "no scale: review only"
        return f"sizes from {photo.smallest_sized_mm:.2f} mm"
    job = session.scalars(
        select(Job).where(Job.photo_id == photo.id).order_by(Job.id.desc()).limit(1)
    ).one_or_none()
    if job is None or job.state == "waiting":
        return "waits"
    return f"{job.message or 'being looked at'} {100 * job.progress:.0f} %"


def _state_words(session: Session, book: GradeBook, sheet: Sheet) -> str:
    """What is settled about a sheet that is no longer in work; the verdict above it is as of now."""
    if sheet.state == "in_work" and sheet.taken_by not in (None, current_user.user_id):
        colleague = session.get_one(User, sheet.taken_by)
        return f"{colleague.full_name} has this sheet in work since {show_time(sheet.taken_at)}."
    if sheet.state == "passed_by":
        return "This sheet went by without inspection."
    verdict = inspections.current_verdict(session, sheet.id)
    if sheet.state not in FINISHED or verdict is None:
        return ""
    words = verdict_words(verdict.outcome, verdict.downgrade_to, book)
    return f"Finished {show_time(verdict.decided_at)}: {words}. Nothing changes unless it is opened again."


def _order_words(sheet: Sheet) -> str:
    pack = sheet.pack
    if pack is None:
        return "not packed"
    buyer = f" for {pack.customer.name}" if pack.customer is not None else ""
    return f"pack {pack.label}{buyer}"
