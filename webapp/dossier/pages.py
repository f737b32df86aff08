"""What stands in the dossier, in order."""

from collections.abc import Callable
from datetime import datetime

from reportlab.lib.units import mm
from reportlab.platypus import Flowable, KeepTogether, Paragraph, Spacer, Table, TableStyle

from models.clock import zone as zone_of
from models.history_records import PhotoHistory, SheetHistory
from models.sheet.looked_words import share_words
from webapp.dossier.drawings import StripPicture
from webapp.dossier.record_part import evidence_part, timeline_part
from webapp.dossier.seen_part import defects_part, looked_part, photos_part
from webapp.dossier.sheet_picture import drawn
from webapp.dossier.style import (
    CELL,
    HEAD,
    SECTION,
    SMALL,
    TITLE,
    WIDTH,
    facts,
    grid,
    section,
    words,
)
from webapp.dossier.verdict_part import verdict_part
from webapp.figures.sheet_figure import draw_detail, draw_sheet
from webapp.figures.strip_figure import draw_strip
from webapp.figures.words import CAUTIONS, STATE_WORDS

__all__ = ["story"]

#: type in drawings, points
LETTER = 6.8

Clock = Callable[[datetime], str]


def story(history: SheetHistory, photo_bytes: Callable[[PhotoHistory], bytes | None]) -> list[Flowable]:
    """All flowables of the dossier."""
    clock = _clock(history.sheet.time_zone)
    return [
        *_title(history, clock),
        *verdict_part(history, clock),
        *looked_part(history, clock),
        *defects_part(history, clock),
        *photos_part(history, photo_bytes, clock),
        *_neighbours(history, clock),
        *_claims(history, clock),
        *timeline_part(history, clock),
        *evidence_part(history, clock),
        *_cautions(),
    ]


def _clock(zone_name: str) -> Clock:
    zone = zone_of(zone_name)

    def told(moment: datetime) -> str:
        local = moment.astimezone(zone)
        offset = local.strftime("%z")
        return f"{local:%Y-%m-%d %H:%M} {offset[:3]}:{offset[3:5]}"

    return told


def _title(history: SheetHistory, clock: Clock) -> list[Flowable]:
    sheet = history.sheet
    where = f"{sheet.inspected_by}, " if sheet.inspected_by else ""
    inspected = f"{where}{clock(sheet.inspected_at)}" if sheet.inspected_at else STATE_WORDS[sheet.state]
    if sheet.inspected_at and sheet.shift:
        inspected += f", {sheet.shift} shift, crew {sheet.crew}"
    shipped = "still in the yard" if sheet.pack else "not shipped"
    if sheet.shipped_at:
        shipped = clock(sheet.shipped_at) + (f" to {sheet.destination}" if sheet.destination else "")
    use = {"stock": ", stock size", "cut_size": ", cut size"}.get(sheet.use or "", "")
    rows = [
        ("Made by", f"{sheet.plant}, line {sheet.line}"),
        ("Size", f"{sheet.width_mm:.0f} mm across the ribbon, {sheet.length_mm:.0f} mm along it"),
        ("Thickness", f"{sheet.thickness_mm:.1f} mm"),
        ("Cut", clock(sheet.cut_at)),
        ("On the ribbon", f"metre {sheet.ribbon_start_m:.1f} to {sheet.ribbon_end_m:.1f}"),
        ("", f"left side {sheet.x_left_mm:.0f} mm from the ribbon's left edge"),
        ("Inspected", inspected),
        ("Looked at", f"{share_words(sheet.looked_fraction)} of the sheet"),
        ("Pack", sheet.pack or "not packed"),
        ("Customer", sheet.customer or "not sold yet"),
        ("Grade ordered", (history.grade_ordered_title or "none named") + use),
        ("Shipped", shipped),
    ]
    drawing = draw_sheet(history, across=165.0, along=235.0, letter=LETTER, looks=history.statements)
    room = WIDTH - drawing.width - 6 * mm
    left: list[Flowable] = [
        words("Dossier of sheet", HEAD),
        words(sheet.label, TITLE),
        Spacer(1, 5),
        facts(rows, room),
    ]
    detail = draw_detail(history, across=room - 60, along=150.0, letter=LETTER, looks=history.statements)
    if detail is not None:
        left += [Spacer(1, 6), *drawn(detail)]
    table = Table([[left, drawn(drawing)]], colWidths=[WIDTH - drawing.width, drawing.width])
    table.setStyle(
        TableStyle(
            [
                ("VALIGN", (0, 0), (-1, -1), "TOP"),
                ("LEFTPADDING", (0, 0), (-1, -1), 0),
                ("RIGHTPADDING", (0, 0), (-1, -1), 0),
                ("TOPPADDING", (0, 0), (-1, -1), 0),
            ]
        )
    )
    return [table]


def _neighbours(history: SheetHistory, clock: Clock) -> list[Flowable]:
    strip = draw_strip(history.sheet, history.neighbours, WIDTH)
    if strip is None:
        return []
    relation = {"before": "cut before", "after": "cut after", "beside": "beside"}
    rows: list[list[object]] = []
    for n in history.neighbours:
        away = f", {n.gap_m:.1f} m away" if n.gap_m else ""
        verdict = STATE_WORDS[n.state]
        if n.outcome:
            verdict = {"accept": "accepted", "reject": "rejected", "not_judged": "not judged"}.get(
                n.outcome, "downgraded"
            )
            verdict += f" to {n.downgrade_to}" if n.downgrade_to else ""
        went = "not packed"
        if n.pack:
            went = f"pack {n.pack}" + (f", {n.customer}" if n.customer else "")
            went += f", shipped {clock(n.shipped_at)}" if n.shipped_at else ", in the yard"
        rows.append([n.label, relation[n.relation] + away, n.count, verdict, went])
    heads = ["Sheet", "Place", "Defects", "Verdict", "Where it went"]
    return [
        KeepTogether([words("Neighbours on the ribbon", SECTION), StripPicture(strip)]),
        Spacer(1, 4),
        grid(heads, rows, [1.6, 1.9, 0.9, 2.1, 4.6], numbers=(2,)),
    ]


def _claims(history: SheetHistory, clock: Clock) -> list[Flowable]:
    if not history.claims:
        return []
    parts = section("Claims")
    for claim in history.claims:
        parts.append(
            words(
                f"{claim.number}, about {claim.about}, received {clock(claim.received_at)}, {claim.state}",
                CELL,
            )
        )
        parts.append(words(f"“{claim.says}”"))
        if claim.answer:
            when = f", {clock(claim.answered_at)}" if claim.answered_at else ""
            by = f", {claim.answered_by}" if claim.answered_by else ""
            parts.append(words(f"Answer{when}{by}: {claim.answer}"))
        parts.append(Spacer(1, 4))
    return parts


def _cautions() -> list[Flowable]:
    return [
        KeepTogether([words("Read this with it", SECTION), *(Paragraph(text, SMALL) for text in CAUTIONS)])
    ]
