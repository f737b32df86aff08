"""What goes on on the line now, as an inspector needs it: more of what, since when, where to look."""

from sqlalchemy.orm import Session

from models.notices import Notice, open_notices
from models.records import Sheet
from webapp.view_helpers import show_time

#: a band wider than this share of the sheet has no third to point to
WIDE = 0.6
THIRDS = ("left", "middle", "right")


def news_for_line(session: Session, line_id: int) -> tuple[str, ...]:
    """A sentence for each open notice of the line, places across the ribbon."""
    return tuple(f"{_up(notice)}, {_across_ribbon(notice)}." for notice in open_notices(session, line_id))


def news_for_sheet(session: Session, sheet: Sheet) -> tuple[str, ...]:
    """A sentence for each open notice whose band runs over this sheet, places on the sheet."""
    sentences = []
    for notice in open_notices(session, sheet.line_id):
        where = _on_sheet(notice, sheet)
        if where:
            sentences.append(f"{_up(notice)}: look {where}.")
    return tuple(sentences)


def _up(notice: Notice) -> str:
    kind = notice.kind if notice.kind.endswith("s") else f"{notice.kind}{_ending(notice.kind)}"
    return f"{kind[:1].upper()}{kind[1:]} up since {show_time(notice.seen_start)}"


def _ending(kind: str) -> str:
    return "es" if kind.endswith(("ch", "sh", "x")) else "s"


def _across_ribbon(notice: Notice) -> str:
    return f"x {notice.x_lo_mm:.0f} to {notice.x_hi_mm:.0f} mm across the ribbon"


def _on_sheet(notice: Notice, sheet: Sheet) -> str:
    low = max(notice.x_lo_mm - sheet.x_left_mm, 0.0)
    high = min(notice.x_hi_mm - sheet.x_left_mm, sheet.width_mm)
    if high < low:
        return ""
    if high - low > WIDE * sheet.width_mm:
        return "over the whole width"
    third = THIRDS[min(2, int(3 * (low + high) / 2 / sheet.width_mm))]
    return f"on the {third} third, x {low:.0f} to {high:.0f} mm"
