"""What every template may use: navigation, words for roles, times and sizes as people read them."""

from datetime import datetime

from flask import Flask
from markupsafe import Markup
from werkzeug.routing import IntegerConverter, ValidationError

from models.clock import plant_time, utc_now
from webapp import navigation
from webapp.figures.marks import HOLLOW, sign_data
from webapp.plant import current_book, current_plant
from webapp.security import ROLE_WORDS

LARGEST_NUMBER = 2**63 - 1


class RecordNumber(IntegerConverter):
    """Numbers in addresses: a record's number has 64 bits, a longer one is the address of nothing."""

    def to_python(self, value: str) -> int:
        number = int(super().to_python(value))
        if number > LARGEST_NUMBER:
            raise ValidationError
        return number


def init_app(app: Flask) -> None:
    """Register globals, filters and what counts as a number in an address."""
    app.url_map.converters["int"] = RecordNumber
    app.jinja_env.trim_blocks = True
    app.jinja_env.lstrip_blocks = True
    app.jinja_env.globals.update(
        navigation=navigation.entries, role_words=ROLE_WORDS, sign_data=sign_data, hollow_signs=HOLLOW
    )
    app.jinja_env.filters.update(
        plant_time=show_time,
        plant_span=show_span,
        plant_short=show_short,
        mm=show_mm,
        figure=show_figure,
        sentence=as_sentence,
        grade_title=show_grade,
    )


def show_time(moment: datetime | None, *, seconds: bool = False) -> str:
    """A moment on the plant's clock with its offset, e.g. "2026-03-01 06:15 +01:00"."""
    if moment is None:
        return "not known"
    local = plant_time(moment, current_plant().time_zone)
    offset = local.strftime("%z")
    clock = "%Y-%m-%d %H:%M:%S" if seconds else "%Y-%m-%d %H:%M"
    return f"{local.strftime(clock)} {offset[:3]}:{offset[3:5]}"


def show_span(begin: datetime, end: datetime) -> Markup:
    """From one moment to another; what both share is said once, and neither moment breaks over a line.

    E.g. "2026-03-01 06:15 to 07:40 +01:00".
    """
    first, last = show_time(begin), show_time(end)
    day, clock, offset = first.split(" ")
    last_day, last_clock, last_offset = last.split(" ")
    if offset == last_offset:
        first = f"{day} {clock}"
        if day == last_day:
            last = f"{last_clock} {last_offset}"
    return Markup('<span class="when">{}</span> to <span class="when">{}</span>').format(first, last)


def as_sentence(text: str) -> str:
    """A message as a sentence of its own: capital letter first, a full stop at the end."""
    text = text.strip()
    return text[:1].upper() + text[1:] + ("" if text.endswith((".", "!", "?", ":")) else ".")


def show_grade(grade_id: str) -> str:
    """The title of a grade; its short name where the grade is no longer in the book."""
    book = current_book()
    return book.grade(grade_id).title if grade_id in book.ids() else grade_id


def show_short(moment: datetime | None) -> str:
    """A moment on the plant's clock for lists, e.g. "Sun 01 Mar 06:15"; with the year where it is another."""
    if moment is None:
        return "not known"
    local = plant_time(moment, current_plant().time_zone)
    year = "" if local.year == plant_time(utc_now(), current_plant().time_zone).year else f" {local.year}"
    # the day stays in one line where the column is narrow
    day = f"{local.strftime('%a %d %b')}{year}".replace(" ", "\u00a0")
    return f"{day} {local.strftime('%H:%M')}"


def show_mm(value: float | None, digits: int = 2) -> str:
    """Millimetres with their unit; a dash-free word where there is no size."""
    return "not sized" if value is None else f"{value:.{digits}f} mm"


def show_figure(value: float | None, digits: int = 0) -> str:
    """A figure with thin spaces between thousands."""
    return "not known" if value is None else f"{value:,.{digits}f}".replace(",", "\u202f")
