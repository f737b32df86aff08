"""The words that figures and pages use for stations, sources and states."""

from models.sheet.size_words import size_figures, size_words
from webapp.figures.marks import mark_for

__all__ = ["CAUTIONS", "CONTEXT", "SOURCE_WORDS", "STATE_WORDS", "STATION_WORDS"]

STATION_WORDS = {
    "cutting": "At cutting",
    "inspection": "At the inspection point",
    "lehr_exit": "Left the lehr",
    "lehr_entry": "Entered the lehr",
    "bath_exit": "Left the bath",
    "bath_entry": "Entered the bath",
}
SOURCE_WORDS = {"photo": "from a photo", "hand": "added by hand", "import": "imported"}
STATE_WORDS = {
    "waiting": "waiting for inspection",
    "in_work": "being inspected",
    "finished": "inspected",
    "recorded": "imported",
    "passed_by": "passed by",
}
#: what stands beside every history, on screen and on paper
CAUTIONS = tuple(
    " ".join(text.split())
    for text in (
        """Read this as a record of visual quality alone, as seen in the photos and by the inspectors named.
        It says nothing about strength, safety glazing, thermal breakage or fitness for a use; local codes
        and licensed practice decide there.""",
        """Sizes carry their standard uncertainty where one is given. A defect below the smallest size that a
        photo can measure is flagged, not sized. Times of lehr and bath are reckoned from the line log.""",
        """Handling sheets: cut-proof gloves and wrist guards, eye protection, safety shoes; lifting gear for
        large sheets and never alone; do not try to catch falling glass. The rules of the site come first.""",
    )
)
#: what templates with figures may use
CONTEXT = {
    "mark_for": mark_for,
    "station_words": STATION_WORDS,
    "source_words": SOURCE_WORDS,
    "state_words": STATE_WORDS,
    "cautions": CAUTIONS,
    "size_figures": size_figures,
    "size_words": size_words,
}
