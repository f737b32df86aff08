"""Control charts by kind and band, with limits that follow the glass looked at.

Rates with their moving average, or sums of what lies above the usual rate (CUSUM), as chosen.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np
from flask import render_template, request
from flask.typing import ResponseReturnValue
from sqlalchemy import select
from sqlalchemy.orm import Session

from models.clock import zone as zone_of
from models.rates import enough_glass, usual_rate, usual_spread
from models.records import Line
from models.ribbon_filter import MapFilter
from models.ribbon_glass import Apart
from models.ribbon_map import MAIN_KINDS, ribbon_width
from models.shift_rates import ShiftRate, apart_of, shift_rates
from models.trace.charts import ewma_chart, overdispersion, u_chart
from models.trace.sums import RISE, RUN_LENGTH, count_cusum, count_cusum_reference
from webapp.figures.axes import Link
from webapp.figures.chart_figure import ChartPanel, Series, draw_chart, draw_sums
from webapp.figures.glass import legend_of
from webapp.figures.marks import mark_for
from webapp.figures.rate_words import shift_name
from webapp.plant import db
from webapp.security import roles
from webapp.trace.blueprint import LEADS, bp, line_asked_for
from webapp.trace.forms import RibbonForm, read_form
from webapp.trace.view_models import newest_cut

#: glass looked at longer after the newest cut than this is not part of the picture
LATE = timedelta(days=2)
BANDS = ("left third", "middle third", "right third")


@dataclass(frozen=True, slots=True)
class ChartRow:
    """One kind's panels, a band each.

    spread : variance of the counts over that of chance, as the usual shift shows it
    chance : how likely counts would spread so over the whole period by chance alone (Pearson's test)
    """

    panels: tuple[ChartPanel, ...]
    spread: float
    chance: float


@bp.get("/charts")
@roles(*LEADS)
def charts() -> ResponseReturnValue:
    """Control charts of every kind on each third of the ribbon."""
    lines = db().scalars(select(Line).order_by(Line.name)).all()
    if not lines:
        return render_template("trace/no_line.html")
    line = line_asked_for(lines, request.args.get("line", ""))
    zone = zone_of(line.time_zone)
    form = read_form(request.args, zone)
    if "period" not in request.args:
        form = replace(form, period="month")
    plain = request.args.get("limits") == "plain"
    sums = request.args.get("chart") == "sums"
    rows, apart = chart_rows(db(), line, form, zone, plain=plain, sums=sums)
    return render_template(
        "trace/charts.html",
        line=line,
        lines=lines,
        form=form,
        rows=rows,
        apart=apart,
        glass=legend_of([gap for row in rows for panel in row.panels for gap in panel.gaps]),
        plain=plain,
        sums=sums,
        rise=RISE,
        reference=count_cusum_reference(1.0, RISE),
        run_length=RUN_LENGTH,
    )


def chart_rows(
    session: Session, line: Line, form: RibbonForm, zone: ZoneInfo, *, plain: bool, sums: bool
) -> tuple[list[ChartRow], Apart]:
    """The panels of a line, a row a kind, a column a third of the ribbon, and what is in none of them.

    No rows for a line of which no sheet was looked at or may have been.
    """
    newest = newest_cut(session, line.id)
    if newest is None:
        return [], Apart()
    wanted = replace(form, line=line.id, kinds=()).wanted(line.id, newest)
    width, _ = ribbon_width(session, line.id)
    kinds = form.kinds or MAIN_KINDS
    thirds = [
        _third(session, wanted, kinds, zone, n * width / 3.0, (n + 1) * width / 3.0, newest) for n in range(3)
    ]
    apart = apart_of(session, replace(wanted, kinds=form.kinds))
    if not any(thirds):
        return [], apart
    begin = min(shift.begin for third in thirds for shift in third)
    finish = max(shift.finish for third in thirds for shift in third)
    rows = []
    for n, kind in enumerate(kinds):
        # the middle of the three, so that an episode on one third does not widen the limits of all
        spread = float(np.median([usual_spread(*_counts(third, n)) for third in thirds]))
        dispersion = 1.0 if plain else spread
        link = RibbonForm(line=line.id, kinds=(kind,)).link(zone)
        draw = draw_sums if sums else draw_chart
        panels = [
            draw(_series(kind, band, third, n, zone, dispersion, link, sums=sums), begin, finish, zone)
            for band, third in zip(BANDS, thirds, strict=True)
        ]
        _, chance = overdispersion(*(_counts(third, n) for third in thirds))
        rows.append(ChartRow(tuple(panels), spread, chance))
    return rows, apart


def _third(
    session: Session,
    wanted: MapFilter,
    kinds: tuple[str, ...],
    zone: ZoneInfo,
    x_lo_mm: float,
    x_hi_mm: float,
    newest: datetime,
) -> tuple[ShiftRate, ...]:
    """The shifts of one strip across, without those long after the newest glass was cut."""
    rates = shift_rates(session, replace(wanted, x_lo_mm=x_lo_mm, x_hi_mm=x_hi_mm), kinds, zone)
    return tuple(shift for shift in rates.shifts if shift.begin <= newest + LATE)


def _counts(shifts: Sequence[ShiftRate], n: int) -> tuple[np.ndarray, np.ndarray]:
    """Counts and glass looked at, m2, by shift; both 0 where it was too little glass to chart."""
    counts = np.array([shift.rates[n].count for shift in shifts], dtype=float)
    area = np.array([shift.area_m2 for shift in shifts], dtype=float)
    enough = enough_glass(area)
    return np.where(enough, counts, 0.0), np.where(enough, area, 0.0)


def _series(
    kind: str,
    band: str,
    shifts: Sequence[ShiftRate],
    n: int,
    zone: ZoneInfo,
    dispersion: float,
    link: Link,
    *,
    sums: bool,
) -> Series:
    """What one panel shows of kind number `n`; sums only where asked for: their limit takes a while."""
    counts, area = _counts(shifts, n)
    usual = usual_rate(counts, area)
    return Series(
        mark=mark_for(kind),
        band=band,
        middles=tuple(shift.begin + (shift.finish - shift.begin) / 2 for shift in shifts),
        names=tuple(shift_name(shift, zone) for shift in shifts),
        urls=tuple(link(shift.begin, shift.finish) for shift in shifts),
        rates=u_chart(counts, area, dispersion=dispersion, centre=usual),
        average=ewma_chart(counts, area, dispersion=dispersion, centre=usual),
        sums=count_cusum(counts, area, usual=usual, dispersion=dispersion) if sums and usual else None,
        shifts=tuple(shifts),
    )
