"""The words that figures and pages use for stations, sources and states."""

from webapp.figures.marks import mark_for

__all__ = ["CONTEXT", "SOURCE_WORDS", "STATE_WORDS", "STATION_WORDS"]

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
    "recorded": "inspected elsewhere, imported",
    "passed_by": "passed by without inspection",
}
#: what templates with figures may use
CONTEXT = {
    "mark_for": mark_for,
    "station_words": STATION_WORDS,
    "source_words": SOURCE_WORDS,
    "state_words": STATE_WORDS,
}
