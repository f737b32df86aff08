"""Times and sentences as pages show them."""

from collections.abc import Iterator
from datetime import UTC, datetime

import pytest
from flask import Flask

from webapp.view_helpers import as_sentence, show_span


@pytest.fixture
def on_a_page(app: Flask, booth: object) -> Iterator[None]:
    """Inside a request, with the plant's clock at hand (Europe/Berlin)."""
    with app.test_request_context():
        yield


@pytest.mark.parametrize(
    ("begin", "end", "said"),
    [
        ((2026, 3, 1, 5, 15), (2026, 3, 1, 6, 40), "2026-03-01 06:15 to 07:40 +01:00"),
        ((2026, 3, 1, 5, 15), (2026, 3, 2, 6, 40), "2026-03-01 06:15 to 2026-03-02 07:40 +01:00"),
        # the night of the change to summer time: 01:30 +01:00, then 03:30 +02:00
        ((2026, 3, 29, 0, 30), (2026, 3, 29, 1, 30), "2026-03-29 01:30 +01:00 to 2026-03-29 03:30 +02:00"),
    ],
)
def test_a_span_says_once_what_both_ends_share(on_a_page, begin, end, said) -> None:
    span = str(show_span(datetime(*begin, tzinfo=UTC), datetime(*end, tzinfo=UTC)))
    assert span.replace('<span class="when">', "").replace("</span>", "") == said
    assert span.count('<span class="when">') == 2


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("judged over the pack", "Judged over the pack."),
        (" All is met. ", "All is met."),
        ("is it?", "Is it?"),
    ],
)
def test_a_note_becomes_a_sentence(text: str, said: str) -> None:
    assert as_sentence(text) == said
