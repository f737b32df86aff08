"""What the ribbon page shows, worked out from the form and the queries."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from flask import url_for
from sqlalchemy.orm import Session

from models.clock import zone as zone_of
from models.records import Line
from models.ribbon_clock import first_and_last_metre, metre_clock
from models.ribbon_map import Choices, MapPoint, RibbonMap, choices, defects_in_view, ribbon_map
from models.shift_rates import ShiftRates, shift_rates
from webapp.figures.marks import Mark, mark_for
from webapp.figures.rate_figure import RateFigure, draw_rates
from webapp.figures.ribbon_figure import Outline, RibbonFigure, draw_ribbon
from webapp.trace.episode_models import cards
from webapp.trace.forms import RibbonForm
from webapp.trace.recent import trace_at_hand

__all__ = ["KindChoice", "RibbonPage", "newest_cut", "ribbon_page"]

LISTED = 50


@dataclass(frozen=True, slots=True)
class KindChoice:
    """One kind's box in the filter: its sign, whether it is asked for, how many are in view."""

    mark: Mark
    chosen: bool
    count: int


@dataclass(frozen=True, slots=True)
class RibbonPage:
    """The typed context of the ribbon page. `ribbon` is None for a line without sheets."""

    form: RibbonForm
    line: Line
    lines: tuple[Line, ...]
    zone: ZoneInfo
    options: Choices
    kinds: tuple[KindChoice, ...]
    ribbon: RibbonMap | None
    figure: RibbonFigure | None
    rates: ShiftRates | None
    rate_figure: RateFigure | None
    listed: tuple[MapPoint, ...]
    links: dict[str, str]
    arguments: dict[str, Any]

    def zoom(self, m_lo: float, m_hi: float) -> str:
        """Address of the same view on a stretch round this one."""
        step = m_hi - m_lo
        return _address(self.form.stretch(m_lo - step, m_hi + step), self.zone)

    def clock(self, moment: datetime) -> str:
        """A moment on the line's own clock, in short."""
        return moment.astimezone(self.zone).strftime("%a %d %b %Y %H:%M")


def ribbon_page(session: Session, form: RibbonForm, line: Line, lines: Sequence[Line]) -> RibbonPage:
    """Gather the page for a line.

    Raises BadValue for a filter that makes no sense.
    """
    zone = zone_of(line.time_zone)
    form = replace(form, line=line.id)
    wanted = form.wanted(line.id, newest_cut(session, line.id))
    ribbon = ribbon_map(session, wanted)
    rates = None if ribbon is None else shift_rates(session, wanted, ribbon.kinds, zone)
    return RibbonPage(
        form=form,
        line=line,
        lines=tuple(lines),
        zone=zone,
        options=choices(session, line.id),
        kinds=_kinds(ribbon, form),
        ribbon=ribbon,
        figure=None
        if ribbon is None
        else draw_ribbon(ribbon, zone, lambda point: describe(point, zone), episode_outlines(line.id)),
        rates=rates,
        rate_figure=None
        if ribbon is None or rates is None
        else draw_rates(rates, ribbon.begin, ribbon.finish, zone, form.link(zone)),
        listed=()
        if ribbon is None
        else tuple(defects_in_view(session, wanted, ribbon.m_lo, ribbon.m_hi, limit=LISTED)),
        links={} if ribbon is None else _links(form, ribbon, zone),
        arguments=form.arguments(zone),
    )


def describe(point: MapPoint, zone: ZoneInfo) -> str:
    """One defect in one line of words."""
    size = "not sized" if point.length_mm is None else f"{point.length_mm:.2f} mm"
    seen = point.found_at.astimezone(zone).strftime("%d %b %H:%M")
    return (
        f"{mark_for(point.kind).label}, {size}, sheet {point.label}, seen {seen}, "
        f"{point.ribbon_m:.1f} m along, {point.ribbon_x_mm:.0f} mm across"
    )


def episode_outlines(line_id: int) -> tuple[Outline, ...]:
    """The episodes of the last trace, where a page has made one; the map itself never waits for a trace."""
    traced = trace_at_hand(line_id)
    if traced is None:
        return ()
    return tuple(
        Outline(
            kind=card.episode.kind,
            m_lo=card.episode.from_m,
            m_hi=card.episode.to_m,
            x_lo_mm=card.episode.x_lo_mm,
            x_hi_mm=card.episode.x_hi_mm,
            text=f"episode: {card.episode.count} {card.mark.label} {card.usual}, made in {card.section}",
            url=url_for("trace.episode", line_id=line_id, key=card.key),
        )
        for card in cards(traced)
    )


def newest_cut(session: Session, line_id: int) -> datetime | None:
    """When the newest glass of a line was cut, by its stamp; None without sheets."""
    ends = first_and_last_metre(session, line_id)
    if ends is None:
        return None
    clock = metre_clock(session, line_id, ends[1] - 1.0, ends[1], samples=2)
    return None if clock is None else clock.time_at(ends[1])


def _kinds(ribbon: RibbonMap | None, form: RibbonForm) -> tuple[KindChoice, ...]:
    if ribbon is None:
        return ()
    counted = dict(zip(ribbon.kinds, ribbon.counts, strict=True)) | dict(ribbon.others)
    main = ("bubble", "stone", "scratch")
    order = [*main, *sorted(set(counted) - set(main))]
    return tuple(
        KindChoice(mark_for(kind), not form.kinds or kind in form.kinds, counted.get(kind, 0))
        for kind in order
    )


def _address(form: RibbonForm, zone: ZoneInfo) -> str:
    return url_for("trace.ribbon_map", **form.arguments(zone))


def _links(form: RibbonForm, ribbon: RibbonMap, zone: ZoneInfo) -> dict[str, str]:
    """Addresses that move the window, for fingers and for pages without scripts."""
    half = (ribbon.m_hi - ribbon.m_lo) / 2.0
    middle = ribbon.m_lo + half
    stretches = {
        "earlier": (ribbon.m_lo - half, ribbon.m_hi - half),
        "later": (ribbon.m_lo + half, ribbon.m_hi + half),
        "closer": (middle - half / 2.0, middle + half / 2.0),
        "wider": (ribbon.m_lo - half, ribbon.m_hi + half),
    }
    return {
        **{name: _address(form.stretch(*ends), zone) for name, ends in stretches.items()},
        "everything": _address(RibbonForm(line=form.line), zone),
    }
