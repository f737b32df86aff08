"""What stands in the dossier, in order."""

from collections.abc import Callable, Sequence
from datetime import datetime

from reportlab.lib.units import mm
from reportlab.platypus import Flowable, KeepTogether, Paragraph, Spacer, Table, TableStyle

from models.clock import zone as zone_of
from models.history_records import ActHistory, FindHistory, PhotoHistory, SheetHistory, VerdictHistory
from webapp.dossier.drawings import KindSign, PhotoPicture, SheetPicture, StripPicture, VerdictSign
from webapp.dossier.style import (
    BODY,
    CELL,
    HEAD,
    LARGE,
    SECTION,
    SMALL,
    TITLE,
    WIDTH,
    facts,
    grid,
    section,
    words,
)
from webapp.figures.marks import mark_for
from webapp.figures.photo_figure import draw_finds
from webapp.figures.sheet_figure import close_up, draw_sheet
from webapp.figures.story import number_list, outcome_words, reason_figures, timeline
from webapp.figures.strip_figure import draw_strip
from webapp.figures.words import CAUTIONS, SOURCE_WORDS, STATE_WORDS

__all__ = ["story"]

REASON_WORDS = {
    "accept": "met",
    "reject": "not met",
    "not_judged": "not judged",
    "not_examined": "not examined",
}

Clock = Callable[[datetime], str]


def story(history: SheetHistory, photo_bytes: Callable[[PhotoHistory], bytes | None]) -> list[Flowable]:
    """All flowables of the dossier."""
    clock = _clock(history.sheet.time_zone)
    return [
        *_title(history, clock),
        *_verdict(history, clock),
        *_defects(history, clock),
        *_photos(history, photo_bytes, clock),
        *_neighbours(history, clock),
        *_claims(history, clock),
        *_timeline(history, clock),
        *_evidence(history, clock),
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
        ("Pack", sheet.pack or "not packed"),
        ("Customer", sheet.customer or "not sold yet"),
        ("Grade ordered", (history.grade_ordered_title or "none named") + use),
        ("Shipped", shipped),
    ]
    drawing = draw_sheet(history, across=150.0, along=225.0)
    room = WIDTH - drawing.width - 6 * mm
    left: list[Flowable] = [
        words("Dossier of sheet", HEAD),
        words(sheet.label, TITLE),
        Spacer(1, 5),
        facts(rows, room),
    ]
    window = close_up(history)
    if window is not None:
        left.append(SheetPicture(draw_sheet(history, across=room - 90, along=150.0, window=window)))
    table = Table(
        [[left, SheetPicture(drawing)]],
        colWidths=[WIDTH - drawing.width, drawing.width],
    )
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


def _verdict(history: SheetHistory, clock: Clock) -> list[Flowable]:
    verdict = history.verdict
    if verdict is None:
        return [words("Verdict", SECTION), VerdictSign(None, "no verdict on record")]
    by = f" by {verdict.decided_by}" if verdict.decided_by else ""
    parts: list[Flowable] = [
        words("Verdict", SECTION),
        VerdictSign(verdict.outcome, outcome_words(verdict)),
        words(f"Decided {clock(verdict.decided_at)}{by}.", BODY),
        words(
            f"Rules in force then: {verdict.rule_set_title}, version {verdict.rule_set_version}. "
            f"SHA-256 of the rule set: {verdict.rule_set_sha256}",
            SMALL,
        ),
    ]
    if verdict.close_call:
        parts.append(words("A size lies within its uncertainty of a limit.", BODY))
    parts.append(Spacer(1, 5))
    numbers = _defect_numbers(verdict)
    reasons = [
        [
            reason.get("clause", ""),
            reason.get("says", ""),
            ", ".join(str(numbers.get(n, n + 1)) for n in reason.get("finds", ())),
            reason_figures(reason),
            REASON_WORDS.get(reason.get("outcome", ""), reason.get("outcome", "")),
        ]
        for reason in verdict.reasons
    ]
    tables: list[Flowable] = []
    if reasons:
        heads = ["Clause", "What it says", "Defects", "Figures", "Rule"]
        tables.append(grid(heads, reasons, [1.5, 5.2, 1.3, 1.9, 1.2]))
    for old in history.verdicts:
        if not old.current:
            decided = f", {old.decided_by}" if old.decided_by else ""
            tables.append(words(f"Earlier: {outcome_words(old)}, {clock(old.decided_at)}{decided}.", SMALL))
    return [KeepTogether(parts), *tables]


def _defect_numbers(verdict: VerdictHistory) -> dict[int, int]:
    """Place in the verdict's list of defects -> number of the defect on the sheet."""
    told = {n: (defect.get("ref") or {}).get("number") for n, defect in enumerate(verdict.defects)}
    return {n: number for n, number in told.items() if number is not None}


def _size(length: float | None, sd: float | None, width: float | None, halo: float | None) -> str:
    if length is None:
        return "not sized"
    text = f"{length:.2f}" + (f" ± {sd:.2f}" if sd else "")
    text += f" × {width:.2f}" if width is not None else ""
    return text + (f", zone {halo:.2f}" if halo is not None else "")


def _defects(history: SheetHistory, clock: Clock) -> list[Flowable]:
    if not history.defects:
        return [words("Defects on record", SECTION), words("None was recorded.")]
    rows: list[list[object]] = []
    for defect in history.defects:
        for n, r in enumerate(reversed(defect.revisions)):
            label = mark_for(r.kind).label
            state = ", withdrawn" if r.withdrawn else "" if r.current else ", earlier"
            who = f", {r.recorded_by}" if r.recorded_by else ""
            note = f". {r.note}" if r.note else ""
            rows.append(
                [
                    str(defect.number) if n == 0 else "",
                    KindSign(mark_for(r.kind), label + state),
                    _size(r.length_mm, r.length_sd_mm, r.width_mm, r.halo_mm),
                    "no place" if r.x_mm is None else f"{r.x_mm:.0f}",
                    "" if r.y_mm is None else f"{r.y_mm:.0f}",
                    f"{SOURCE_WORDS[r.source]}, {clock(r.recorded_at)}{who}{note}",
                ]
            )
    heads = ["No.", "Kind", "Size, mm", "From left, mm", "From leading edge, mm", "How and when recorded"]
    table = grid(heads, rows, [0.7, 2.2, 2.3, 1.2, 1.4, 4.4], numbers=(0, 3, 4))
    return [*section("Defects on record"), table]


def _photos(
    history: SheetHistory, photo_bytes: Callable[[PhotoHistory], bytes | None], clock: Clock
) -> list[Flowable]:
    if not history.photos:
        return [words("Photos and finds", SECTION), words("No photo of this sheet is on record.")]
    parts: list[Flowable] = []
    for n, photo in enumerate(history.photos):
        block: list[Flowable] = [words("Photos and finds", SECTION)] if n == 0 else [Spacer(1, 9)]
        jpeg = photo_bytes(photo)
        if jpeg is not None and photo.width_px and photo.height_px:
            block.append(
                PhotoPicture(jpeg, photo.width_px, photo.height_px, draw_finds(photo), WIDTH, 105 * mm)
            )
        else:
            block.append(
                words("The picture itself cannot be shown: its file is missing or could not be read.")
            )
        block += [
            Spacer(1, 3),
            words(photo.name, LARGE if len(photo.name) < 50 else BODY),
            words(_taken(photo, clock), SMALL),
        ]
        block += [words(message, CELL) for message in photo.messages]
        parts.append(KeepTogether(block))
        if photo.finds:
            heads = ["No.", "Flagged as", "Size, mm", "Score", "Decided"]
            rows = _find_rows(photo.finds, clock)
            parts += [Spacer(1, 3), grid(heads, rows, [1.2, 2.2, 2.1, 0.8, 5.3], numbers=(3,))]
    legend = "Dotted: dismissed as not a defect. The numbers are those of the finds in each photo."
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


def _find_rows(finds: Sequence[FindHistory], clock: Clock) -> list[list[object]]:
    """One row a find; finds dismissed once, for the same reason by the same person, share a row."""
    rows: list[list[object]] = []
    shared: dict[tuple[object, ...], list[FindHistory]] = {}
    for find in finds:
        decision = find.decision
        if decision is not None and decision.decision == "dismissed" and len(find.decisions) == 1:
            shared.setdefault((find.not_glass or find.kind, decision.reason, decision.by), []).append(find)
        else:
            rows.append(_find_row(find, clock))
    for group in shared.values():
        first = _find_row(group[0], clock)
        if len(group) > 1:
            first[0] = number_list([find.number for find in group])
            first[2], first[3] = "", ""
        rows.append(first)
    return rows


def _find_row(find: FindHistory, clock: Clock) -> list[object]:
    what = f"not glass: {find.not_glass}" if find.not_glass else mark_for(find.kind).label
    told = []
    for decision in find.decisions:
        by = f", {decision.by}" if decision.by else ""
        why = f" ({decision.reason})" if decision.reason else ""
        number = f" as defect {decision.defect_number}" if decision.defect_number else ""
        told.append(f"{decision.decision}{number}{why}, {clock(decision.at)}{by}")
    return [
        str(find.number),
        what,
        _size(find.length_mm, find.length_sd_mm, find.width_mm, find.halo_mm),
        f"{find.score:.2f}",
        "; then ".join(told) or "nobody has decided",
    ]


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
        rows.append([n.label, relation[n.relation] + away, str(n.defects), verdict, went])
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


def _timeline(history: SheetHistory, clock: Clock) -> list[Flowable]:
    rows: list[list[object]] = [
        [clock(m.at), ("about: " if not m.sure else "") + m.what, m.who or ""] for m in timeline(history)
    ]
    return [*section("What happened, in order"), grid(["When", "What", "Who"], rows, [2.3, 6.4, 2.0])]


def _evidence(history: SheetHistory, clock: Clock) -> list[Flowable]:
    parts = section("Evidence")
    if history.photos:
        rows: list[list[object]] = [[p.name, str(p.size_bytes), p.sha256] for p in history.photos]
        parts.append(
            grid(["Photo", "Bytes", "SHA-256 of the original file"], rows, [3.0, 1.0, 6.6], numbers=(1,))
        )
        parts.append(Spacer(1, 6))
    if history.acts:
        acts = _act_rows(history.acts, clock)
        parts.append(
            grid(
                ["Entry", "When", "Who, from where", "Act", "Hash of the last begins"],
                acts,
                [1.5, 2.2, 2.9, 2.3, 2.4],
            )
        )
        last = history.acts[-1]
        parts.append(Spacer(1, 3))
        parts.append(
            words(
                f"The hash chain at the last act about this sheet: entry {last.id}, {last.hash}. "
                "“lehrbook verify” works the chain out again.",
                SMALL,
            )
        )
    else:
        parts.append(words("No act about this sheet stands in the hash chain.", SMALL))
    return parts


def _act_rows(acts: Sequence[ActHistory], clock: Clock) -> list[list[object]]:
    """One row an act; acts of one kind by one person that follow each other share a row and its last hash."""
    runs: list[list[ActHistory]] = []
    for act in acts:
        last = runs[-1][-1] if runs else None
        if last and (last.action, last.who, last.origin) == (act.action, act.who, act.origin):
            runs[-1].append(act)
        else:
            runs.append([act])
    rows: list[list[object]] = []
    for run in runs:
        first, last = run[0], run[-1]
        many = f" ({len(run)} times)" if len(run) > 1 else ""
        entries = number_list([act.id for act in run])
        rows.append(
            [entries, clock(first.at), f"{first.who}, {first.origin}", first.action + many, last.hash[:20]]
        )
    return rows


def _cautions() -> list[Flowable]:
    return [
        KeepTogether([words("Read this with it", SECTION), *(Paragraph(text, SMALL) for text in CAUTIONS)])
    ]
