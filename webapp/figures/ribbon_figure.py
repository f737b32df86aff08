"""The ribbon laid on its side: along it from left to right, across it from the left edge at the foot upwards.

Drawing units are SVG user units, y down. The glass travels to the left, so the newest glass is at the right.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import tzinfo

from models.ribbon_map import MapCell, MapPoint, Profile, RibbonMap
from models.sheet.looked_words import WHOLE, looked_words
from webapp.figures.axes import Axis, Tick, TimeAxis, per_1000
from webapp.figures.glass import GlassShape, Legend, glass_shapes, legend_of, nothing_words
from webapp.figures.lettering import WIDTH, room_for
from webapp.figures.marks import Mark, mark_for

__all__ = [
    "Box",
    "CellShape",
    "Outline",
    "Panel",
    "PointShape",
    "ProfileBar",
    "RibbonFigure",
    "draw_ribbon",
    "shade_steps",
]

LEFT, RIGHT = 84.0, 936.0
PROFILE_LEFT, PROFILE_RIGHT = 980.0, 1092.0
TOP = 34.0
#: room above a panel that has a title of its own
TITLED = 24.0
POINT_PANEL_HEIGHT = 330.0
CELL_PANEL_HEIGHT = 190.0
PANEL_GAP = 46.0
FOOT = 76.0
SHADES = 5
#: swatch of a legend with the spaces beside it
SWATCH = 34.0


@dataclass(frozen=True, slots=True)
class PointShape:
    """One defect: its place in the drawing, its sign and what is said about it."""

    defect_id: int
    x: float
    y: float
    mark: Mark
    text: str


@dataclass(frozen=True, slots=True)
class CellShape:
    """One field of the density picture; `shade` runs from 1 (few) to SHADES (most).

    glass : what is drawn over the shade where none of the field was looked at
    """

    x: float
    y: float
    width: float
    height: float
    shade: int
    text: str
    cell: MapCell
    glass: GlassShape | None


@dataclass(frozen=True, slots=True)
class ProfileBar:
    """Defects in one strip along the ribbon, drawn as a bar to the right of the panel."""

    y: float
    height: float
    length: float
    low: float
    high: float
    text: str


@dataclass(frozen=True, slots=True)
class Outline:
    """A stretch and band to be outlined on the ribbon, such as an episode, and where it leads."""

    kind: str
    m_lo: float
    m_hi: float
    x_lo_mm: float
    x_hi_mm: float
    text: str
    url: str


@dataclass(frozen=True, slots=True)
class Box:
    """An outline in the drawing."""

    x: float
    y: float
    width: float
    height: float
    text: str
    url: str


@dataclass(frozen=True, slots=True)
class Shade:
    """One entry of the legend over a panel: its swatch begins at `x`, its words stand beside it."""

    x: float
    words: str


@dataclass(frozen=True, slots=True)
class Panel:
    """One picture of the ribbon: all kinds as points, or one kind as shaded fields.

    glass   : where a count of none would not mean that there is none
    nothing : what is said where no defect is in view
    """

    title: str
    mark: Mark | None
    top: float
    bottom: float
    points: tuple[PointShape, ...]
    cells: tuple[CellShape, ...]
    profile: tuple[ProfileBar, ...]
    profile_ticks: tuple[Tick, ...]
    across_ticks: tuple[Tick, ...]
    net_lines: tuple[float, ...]
    shades: tuple[Shade, ...]
    boxes: tuple[Box, ...]
    glass: tuple[GlassShape, ...]
    nothing: str


@dataclass(frozen=True, slots=True)
class RibbonFigure:
    """Everything the template needs to draw the ribbon."""

    width: float
    height: float
    left: float
    right: float
    profile_left: float
    panels: tuple[Panel, ...]
    metre_ticks: tuple[Tick, ...]
    time_ticks: tuple[Tick, ...]
    along: str
    dense: bool
    glass: Legend

    @property
    def outlined(self) -> bool:
        """Whether any stretch is outlined in view."""
        return any(panel.boxes for panel in self.panels)


def draw_ribbon(
    ribbon: RibbonMap,
    zone: tzinfo,
    describe: Callable[[MapPoint], str],
    outlines: Sequence[Outline] = (),
) -> RibbonFigure:
    """Lay out a ribbon map.

    ribbon   : what the query found, points or cells
    zone     : the plant's time zone, for the time ticks
    describe : the sentence shown for one defect
    outlines : stretches to be outlined, drawn where they reach into the picture
    """
    along = _along_axis(ribbon)
    kinds = ribbon.kinds
    if ribbon.dense:
        groups: list[tuple[str, Mark | None, tuple[str, ...]]] = [
            (mark_for(kind).label, mark_for(kind), (kind,)) for kind in kinds
        ]
        panel_height = CELL_PANEL_HEIGHT
    else:
        groups = [("", None, kinds)]
        panel_height = POINT_PANEL_HEIGHT
    panels = []
    top = TOP + (TITLED if ribbon.dense else 0.0)
    for title, mark, group in groups:
        across = Axis(ribbon.x_lo_mm, ribbon.x_hi_mm, top + panel_height, top)
        bars, bar_ticks = _profile(ribbon.profile, group, across)
        # each kind has its own scale: a train of roll marks would else wash out everything beside it
        limits = shade_steps(max((cell.count for cell in ribbon.cells if cell.kind in group), default=0))
        panels.append(
            Panel(
                title=title,
                mark=mark,
                top=top,
                bottom=top + panel_height,
                points=tuple(
                    PointShape(
                        p.defect_id,
                        along(p.ribbon_m),
                        across.place(p.ribbon_x_mm),
                        mark_for(p.kind),
                        describe(p),
                    )
                    for p in ribbon.points
                    if p.kind in group
                ),
                cells=tuple(
                    _cell_shape(cell, ribbon, along, across, limits)
                    for cell in ribbon.cells
                    if cell.kind in group
                ),
                profile=bars,
                profile_ticks=_within(bar_ticks),
                across_ticks=across.ticks(4 if ribbon.dense else 7),
                net_lines=tuple(
                    across.place(x) for x in ribbon.net_lines_mm if ribbon.x_lo_mm < x < ribbon.x_hi_mm
                ),
                shades=_legend(limits) if ribbon.dense else (),
                boxes=tuple(
                    _box(outline, ribbon, along, across)
                    for outline in outlines
                    if _in_view(outline, ribbon, group)
                ),
                glass=glass_shapes(ribbon.patches, along, across),
                nothing=nothing_words(title, ribbon.looked_fraction),
            )
        )
        top += panel_height + PANEL_GAP
    metre_ticks, time_ticks = _along_ticks(ribbon, along, zone)
    return RibbonFigure(
        width=WIDTH,
        height=top - PANEL_GAP + FOOT,
        left=LEFT,
        right=RIGHT,
        profile_left=PROFILE_LEFT,
        panels=tuple(panels),
        metre_ticks=metre_ticks,
        time_ticks=time_ticks,
        along=ribbon.along,
        dense=ribbon.dense,
        glass=legend_of(panels[0].glass) if panels else (),
    )


def shade_steps(most: int) -> list[int]:
    """Upper counts of the shades, from few to most: each about the same factor above the one before."""
    if most <= SHADES:
        return list(range(1, max(most, 1) + 1))
    ratio = most ** (1.0 / SHADES)
    steps: list[int] = []
    for n in range(1, SHADES):
        steps.append(max(round(ratio**n), steps[-1] + 1 if steps else 1))
    return [*steps, most]


def _box(outline: Outline, ribbon: RibbonMap, along: Callable[[float], float], across: Axis) -> Box:
    left, right = along(max(outline.m_lo, ribbon.m_lo)), along(min(outline.m_hi, ribbon.m_hi))
    head = across.place(min(outline.x_hi_mm, ribbon.x_hi_mm))
    foot = across.place(max(outline.x_lo_mm, ribbon.x_lo_mm))
    # a street of a few millimetres still gets an outline that can be hit
    grow = max(0.0, (12.0 - (foot - head)) / 2.0)
    return Box(left, head - grow, max(right - left, 6.0), foot - head + 2 * grow, outline.text, outline.url)


def _in_view(outline: Outline, ribbon: RibbonMap, group: Sequence[str]) -> bool:
    return (
        outline.kind in group
        and outline.m_lo < ribbon.m_hi
        and outline.m_hi > ribbon.m_lo
        and outline.x_lo_mm < ribbon.x_hi_mm
        and outline.x_hi_mm > ribbon.x_lo_mm
    )


def _legend(limits: Sequence[int]) -> tuple[Shade, ...]:
    """What each shade stands for: "1", "2 to 5", ..., set from the panel's right end leftwards."""
    lows = (1, *(n + 1 for n in limits[:-1]))
    shades: list[Shade] = []
    x = RIGHT
    for low, high in reversed(list(zip(lows, limits, strict=True))):
        words = f"{low}" if low == high else f"{low} to {high}"
        x -= SWATCH + room_for(words)
        shades.append(Shade(x, words))
    return tuple(reversed(shades))


def _along_axis(ribbon: RibbonMap) -> Callable[[float], float]:
    if ribbon.along == "time":
        time_axis = TimeAxis(ribbon.begin, ribbon.finish, LEFT, RIGHT)
        clock = ribbon.clock
        return lambda metre: min(max(time_axis.place(clock.time_at(metre)), LEFT), RIGHT)
    metre_axis = Axis(ribbon.m_lo, ribbon.m_hi, LEFT, RIGHT)
    return metre_axis.place


def _along_ticks(
    ribbon: RibbonMap, along: Callable[[float], float], zone: tzinfo
) -> tuple[tuple[Tick, ...], tuple[Tick, ...]]:
    metre_axis = Axis(ribbon.m_lo, ribbon.m_hi, ribbon.m_lo, ribbon.m_hi)
    metres = tuple(Tick(along(tick.at), tick.label) for tick in metre_axis.ticks(7))
    span = TimeAxis(ribbon.begin, ribbon.finish, LEFT, RIGHT)
    times = span.ticks(zone, 8)
    if ribbon.along == "metres":
        begin = ribbon.begin
        whole = (ribbon.finish - begin) / (RIGHT - LEFT)
        times = tuple(
            Tick(along(ribbon.clock.metre_at(begin + whole * (tick.at - LEFT))), tick.label, tick.major)
            for tick in times
        )
    return _clear(metres), _clear(times)


def _clear(ticks: Sequence[Tick]) -> tuple[Tick, ...]:
    """Ticks whose labels run into no other words: the axis' name, the profile's figures, each other."""
    widest = max((room_for(tick.label) for tick in ticks), default=0.0)
    first, last = LEFT + widest / 2.0 - 4.0, PROFILE_LEFT - widest / 2.0 - 10.0
    return _apart([tick for tick in ticks if first <= tick.at <= last], widest + 8.0)


def _within(ticks: Sequence[Tick]) -> tuple[Tick, ...]:
    """Labels of the profile, moved in where they would stand out of the picture; nothing hangs on them."""
    return tuple(replace(tick, at=min(tick.at, WIDTH - room_for(tick.label) / 2.0 - 2.0)) for tick in ticks)


def _apart(ticks: Sequence[Tick], least: float) -> tuple[Tick, ...]:
    """Drop the label of a tick that would run into its neighbour's; a major tick wins over a minor one."""
    kept: list[Tick] = []
    for tick in ticks:
        if kept and tick.at - kept[-1].at < least:
            if tick.major and not kept[-1].major:
                kept[-1] = tick
            continue
        kept.append(tick)
    return tuple(kept)


def _cell_shape(
    cell: MapCell, ribbon: RibbonMap, along: Callable[[float], float], across: Axis, limits: Sequence[int]
) -> CellShape:
    left, right = along(cell.m_lo), along(cell.m_hi)
    foot, head = across.place(cell.x_lo_mm), across.place(cell.x_hi_mm)
    shade = next(n for n, limit in enumerate(limits, start=1) if cell.count <= limit)
    # few steps still use the whole scale, so that one defect among none is not shown as the most there can be
    text = (
        f"{cell.count} {mark_for(cell.kind).label} defect{'s' if cell.count != 1 else ''}, "
        f"{cell.m_lo:.0f} to {cell.m_hi:.0f} m, {cell.x_lo_mm:.0f} to {cell.x_hi_mm:.0f} mm across"
    )
    width = max(right - left, 0.6)
    looked = cell.looked_fraction
    if looked is None or looked < WHOLE:
        text += f", {looked_words(looked)}"
    glass = None
    if not looked:
        glass = GlassShape(
            "unknown" if looked is None else "not_looked", left, head, width, foot - head, text
        )
    return CellShape(left, head, width, foot - head, shade, text, cell, glass)


def _profile(
    profile: Sequence[Profile], group: Sequence[str], across: Axis
) -> tuple[tuple[ProfileBar, ...], tuple[Tick, ...]]:
    """Bars of the rate in each strip across, for the kinds of a panel together."""
    chosen = [strip for strip in profile if strip.kinds == tuple(group) and strip.rate.area_m2 > 0.0]
    if not chosen:
        return (), ()
    # strips that only graze the glass know little; their limits may run off the picture
    half = sorted(strip.rate.area_m2 for strip in chosen)[len(chosen) // 2] / 2.0
    most = max(strip.rate.high_per_m2 or 0.0 for strip in chosen if strip.rate.area_m2 >= half)
    scale = Axis(0.0, most, PROFILE_LEFT, PROFILE_RIGHT)
    bars = []
    for strip in chosen:
        if strip.rate.per_m2 is None or strip.rate.low_per_m2 is None or strip.rate.high_per_m2 is None:
            continue
        foot, head = across.place(strip.x_lo_mm), across.place(strip.x_hi_mm)
        bars.append(
            ProfileBar(
                y=head + 1.0,
                height=max(foot - head - 2.0, 1.0),
                length=min(scale.place(strip.rate.per_m2), PROFILE_RIGHT) - PROFILE_LEFT,
                low=scale.place(strip.rate.low_per_m2),
                high=min(scale.place(strip.rate.high_per_m2), PROFILE_RIGHT),
                text=(
                    f"{strip.x_lo_mm:.0f} to {strip.x_hi_mm:.0f} mm: "
                    f"{strip.rate.count} in {strip.rate.area_m2:.0f} m², "
                    f"{per_1000(strip.rate.per_m2)} per 1000 m² "
                    f"({per_1000(strip.rate.low_per_m2)} to {per_1000(strip.rate.high_per_m2)})"
                ),
            )
        )
    per_thousand = Axis(0.0, most * 1000.0, PROFILE_LEFT, PROFILE_RIGHT)
    return tuple(bars), per_thousand.ticks(2)
