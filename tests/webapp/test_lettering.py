"""Words in wide drawings have room for the large letters of an upright tablet and of paper."""

import re
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

import webapp
from models.trace.data import PlantEvent
from models.trace.origin import Cause
from tests.webapp.test_episode_pages import HOUR, START_S, an_episode
from webapp.figures.episode_figure import LEFT, RIGHT, draw_episode
from webapp.figures.lettering import LETTER, WIDTH, room_for

FIGURES_CSS = Path(webapp.__file__).parent / "static" / "css" / "figures.css"


def test_the_style_sheet_draws_the_letters_that_layouts_reckon_with() -> None:
    sizes = re.findall(r"--letter: ([\d.]+)px", FIGURES_CSS.read_text(encoding="utf-8"))
    assert LETTER in [float(size) for size in sizes]


@pytest.mark.parametrize("start_h", [-60.0, -10.0, 20.0, 47.0])
def test_a_long_entry_is_cut_short_rather_than_run_out_of_the_drawing(start_h: float) -> None:
    text = "Burner 4 exchanged, port 3 cleaned, the regenerator looked at, and much more " * 3
    event = PlantEvent("E-7", START_S + start_h * HOUR, None, "melter", text)
    cause = Cause("E-7", event.start_s, None, "melter", event=event)
    figure = draw_episode(
        an_episode(causes=((cause, 0.7),)), ZoneInfo("Europe/Berlin"), lambda *_: "/", "the melter"
    )
    for words in (figure.made_words, figure.events[0].words):
        long = room_for(words.text)
        left = words.x if words.anchor == "start" else words.x - long
        assert left >= LEFT - 1.0
        assert left + long <= RIGHT + 1.0 < WIDTH
    assert "…" in figure.events[0].words.text
    assert figure.events[0].words.text.endswith("(70 %)")
