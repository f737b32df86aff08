"""The entries of the bar at the top of each page: where, what it is called, and for whom."""

from dataclasses import dataclass

from flask import current_app, request, url_for
from flask_login import current_user


@dataclass(frozen=True, slots=True)
class Place:
    """One entry of the bar; `parts` are the endpoints' first words that belong to it."""

    endpoint: str
    label: str
    roles: frozenset[str]
    parts: tuple[str, ...]


PLACES = (
    Place(
        "inspect.lines", "Inspect", frozenset({"inspector", "quality_lead", "administrator"}), ("inspect",)
    ),
    Place("trace.ribbon_map", "Ribbon", frozenset({"quality_lead", "administrator"}), ("trace",)),
    Place(
        "claims.find",
        "Sheets",
        frozenset({"inspector", "quality_lead", "claims_desk", "administrator"}),
        ("claims", "dossier"),
    ),
    Place("grades.index", "Grades", frozenset({"quality_lead", "claims_desk", "administrator"}), ("grades",)),
    Place("account.people", "People", frozenset({"administrator"}), ("account.people",)),
)


@dataclass(frozen=True, slots=True)
class Entry:
    """An entry as the page shows it."""

    url: str
    label: str
    here: bool


def entries() -> list[Entry]:
    """The entries that the signed-in person may open."""
    if not current_user.is_authenticated:
        return []
    here = request.endpoint or ""
    return [
        Entry(url_for(place.endpoint), place.label, here.startswith(place.parts))
        for place in PLACES
        if place.endpoint in current_app.view_functions and current_user.role in place.roles
    ]
