"""What the episode pages show, worked out from a trace."""

import math
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any
from zoneinfo import ZoneInfo

from flask import url_for

from models.clock import zone as zone_of
from models.errors import NoSuchRecord
from models.records import Line
from models.trace.result import Episode
from models.tracing import Traced, shown_episodes
from webapp.figures.episode_figure import EpisodeFigure, PitchFigure, draw_episode, draw_pitch
from webapp.figures.marks import Mark, mark_for
from webapp.trace.forms import RibbonForm
from webapp.view_helpers import show_figure

__all__ = ["SECTION_WORDS", "EpisodeCard", "EpisodePage", "cards", "episode_page", "find_episode"]

SECTION_WORDS = {
    "melter": "the melter",
    "refiner": "the refiner",
    "bath": "the bath",
    "lehr": "the lehr",
    "cold_end": "the cold end",
    "unknown": "no section for sure",
}
MEMBERS_SHOWN = 300
#: units as the plant files spell them, and as they are read
UNIT_SIGNS = {"degC": "°C", "degF": "°F"}


@dataclass(frozen=True, slots=True)
class EpisodeCard:
    """One episode in the list."""

    key: str
    mark: Mark
    band: str
    episode: Episode
    seen_start: datetime
    seen_end: datetime
    made_start: datetime
    made_end: datetime
    onset: datetime
    stop: datetime
    section: str
    section_share: float
    usual: str
    chance: str
    first_cause: str | None
    first_weight: float


@dataclass(frozen=True, slots=True)
class EpisodePage:
    """The typed context of an episode's own page.

    pitch_every : one mark in this many is drawn in the pitch figure
    tracer_run : the plant's run that says how long glass stays in the section named; None: plant figures
    looked_note : of how many sheets nobody recorded whether they were looked at; empty: of none
    """

    card: EpisodeCard
    line: Line
    figure: EpisodeFigure
    pitch: PitchFigure | None
    pitch_every: int
    sections: tuple[tuple[str, float], ...]
    causes: tuple[dict[str, Any], ...]
    map_url: str
    tracer_run: str | None
    looked_note: str


def episode_key(episode: Episode) -> str:
    """A name for an episode that stays while it only grows: its kind, first metre and left side."""
    return f"{episode.kind.replace(' ', '_')}-{episode.from_m:.0f}-{episode.x_lo_mm:.0f}"


def find_episode(traced: Traced, key: str) -> Episode:
    """The episode of this key, or the one of its kind that now covers its place.

    Raises NoSuchRecord where the trace has none there any more.
    """
    for episode in traced.result.episodes:
        if episode_key(episode) == key:
            return episode
    kind, _, place = key.partition("-")
    from_m, _, x_lo = place.partition("-")
    if from_m.isdecimal() and x_lo.isdecimal():
        for episode in traced.result.episodes:
            on_stretch = episode.from_m - 2000.0 <= float(from_m) <= episode.to_m
            in_band = episode.x_lo_mm - 100.0 <= float(x_lo) <= episode.x_hi_mm
            if episode.kind.replace(" ", "_") == kind and on_stretch and in_band:
                return episode
    msg = f"The trace of today has no episode {key[:60]!r}: it may have sunk into the background."
    raise NoSuchRecord(msg)


def cards(traced: Traced) -> tuple[EpisodeCard, ...]:
    """The episodes of the stretch asked for, the latest first."""
    shown = [traced.result.episodes[n] for n in shown_episodes(traced)]
    return tuple(sorted((_card(e) for e in shown), key=lambda card: card.seen_end, reverse=True))


def episode_page(episode: Episode, traced: Traced, line: Line) -> EpisodePage:
    """Gather the page of one episode."""
    zone = zone_of(line.time_zone)
    # of many marks some are drawn, from the first turn to the last
    every = max(1, math.ceil(len(episode.members) / MEMBERS_SHOWN))
    some = episode.members[::every]
    metres, ids = traced.loaded.given.defects.ribbon_m[some], traced.loaded.defect_ids[some]
    marks = [
        (float(metre), url_for("trace.defect", defect_id=int(defect_id)))
        for metre, defect_id in zip(metres, ids, strict=True)
    ]
    form = RibbonForm(line=line.id, kinds=(episode.kind,))
    return EpisodePage(
        card=_card(episode),
        line=line,
        figure=draw_episode(episode, zone, form.link(zone), section_words(episode)),
        pitch=None if episode.pitch is None else draw_pitch(marks, episode.pitch.pitch_mm),
        pitch_every=every,
        sections=tuple(
            (SECTION_WORDS.get(name, name), weight)
            for name, weight in sorted(episode.section_weights.items(), key=lambda item: -item[1])
            if weight >= 0.005
        ),
        causes=_causes(episode, zone),
        map_url=map_url(episode, line),
        tracer_run=traced.loaded.tracer_runs.get(episode.section),
        looked_note=traced.result.exposure.says(),
    )


def map_url(episode: Episode, line: Line) -> str:
    """The ribbon map round an episode."""
    reach = max(0.25 * (episode.to_m - episode.from_m), 200.0)
    return url_for(
        "trace.ribbon_map",
        line=line.id,
        kind=episode.kind,
        period="metres",
        m_lo=round(episode.from_m - reach, 1),
        m_hi=round(episode.to_m + reach, 1),
    )


def _card(episode: Episode) -> EpisodeCard:
    first = episode.causes[0] if episode.causes else None
    likelier = first is not None and first[1] > episode.none_weight
    return EpisodeCard(
        key=episode_key(episode),
        mark=mark_for(episode.kind),
        band="the whole width"
        if episode.whole_width
        else f"{show_figure(episode.x_lo_mm)} to {show_figure(episode.x_hi_mm)} mm from the left edge",
        episode=episode,
        seen_start=_instant(episode.seen_start_s),
        seen_end=_instant(episode.seen_end_s),
        made_start=_instant(episode.origin_start_s),
        made_end=_instant(episode.origin_end_s),
        onset=_instant(episode.onset_s),
        stop=_instant(episode.stop_s),
        section=section_words(episode),
        section_share=episode.section_weights.get(episode.section, 0.0),
        usual=usual_words(episode.expected),
        chance=chance_words(episode.p_value),
        first_cause=_cause_words(first[0]) if first is not None and likelier else None,
        first_weight=first[1] if first is not None else 0.0,
    )


def section_words(episode: Episode) -> str:
    """Where an episode was most likely made, as words."""
    return SECTION_WORDS.get(episode.section, episode.section)


def usual_words(expected: float) -> str:
    """What would be usual, as the end of a sentence that begins with the count."""
    if expected < 0.05:
        return "where none is usual"
    return f"where {show_figure(expected, 0 if expected >= 10.0 else 1)} are usual"


def chance_words(p_value: float) -> str:
    """A p-value as people read it."""
    if p_value < 1e-6:
        return "p below 0.000001"
    return f"p {p_value:.2g}" if p_value < 0.01 else f"p {p_value:.2f}"


def _cause_words(cause: Any) -> str:
    if cause.event is not None:
        return f"{cause.event.event_id}: {cause.event.text}"
    return f"{cause.excursion.tag} off its usual level" if cause.excursion is not None else cause.key


def _causes(episode: Episode, zone: ZoneInfo) -> tuple[dict[str, Any], ...]:
    rows: list[dict[str, Any]] = [
        {
            "name": cause.event.event_id
            if cause.event
            else cause.excursion.tag
            if cause.excursion
            else cause.key,
            "kind": cause.event.kind.replace("_", " ") if cause.event else "furnace log",
            "text": cause.event.text if cause.event else _excursion_words(cause),
            "start": _instant(cause.start_s),
            "end": None if cause.end_s is None else _instant(cause.end_s),
            "weight": weight,
        }
        for cause, weight in episode.causes
        if weight >= 0.005
    ]
    none = {
        "name": "",
        "kind": "",
        "text": "none of these",
        "start": None,
        "end": None,
        "weight": episode.none_weight,
    }
    return tuple(sorted([*rows, none], key=lambda row: -row["weight"]))


def _excursion_words(cause: Any) -> str:
    if cause.excursion is None:
        return cause.words
    x = cause.excursion
    unit = UNIT_SIGNS.get(x.unit, x.unit)
    return f"{x.extreme:.4g} {unit}, usually {x.usual:.4g} {unit}"


def _instant(time_s: float) -> datetime:
    return datetime.fromtimestamp(time_s, UTC)
