"""The fifteen demo photos in the order in which one would show them."""

from __future__ import annotations

from dataclasses import replace

from stories import (
    CUT_SIZE,
    STOCK,
    Story,
    around,
    bubble,
    dirt,
    scratch,
    setting,
    stone,
    whole,
    with_,
)

from vision.synthetic.raytraced import Blur, Clutter, SceneSpec

INSIDE = (12.0, 12.0, CUT_SIZE[0] - 12, CUT_SIZE[1] - 12)


def all_stories() -> list[Story]:
    """Every demo photo. Names are file stems; nothing here depends on what was made before."""
    return [*_cut_sizes(), *_stock_sheets(), *_troubles()]


def _cut_sizes() -> list[Story]:
    seedy = (
        bubble(118, 92, 0.66, 21, aspect=1.3),
        bubble(301, 251, 0.82, 22, aspect=1.7, halo=0.02),
        bubble(402, 131, 1.52, 23, aspect=1.6, halo=0.03),
        bubble(214, 322, 2.34, 24, aspect=1.9, halo=0.03),
        bubble(66, 287, 0.4, 25, aspect=1.1, style="slope"),
    )
    drawn_on = (
        Clutter("marker", "writing", 372, 92, 17.0, -6.0, 0.9, 41, "A3>"),
        Clutter("marker", "writing", 402, 131, 30.0, 0.0, 0.8, 46, "o"),
        Clutter("drip", "dried drop", 152, 214, 8.0, 84.0, 0.7, 42),
        Clutter("drip", "dried drop", 331, 301, 5.0, 60.0, 0.6, 43),
        Clutter("finger mark", "finger", 84, 171, 16.0, 30.0, 0.9, 44),
        Clutter("finger mark", "suction ring", 252, 190, 92.0, 0.0, 0.9, 45),
    )
    return [
        Story(
            "clean-window-bright",
            "A clean window pane",
            "Cut size against the lamp panel, tags on the bench. Nothing in the glass, a little dust on it.",
            "eschenfurt-window",
            with_(whole("bright_field", 101), (), dirt(INSIDE, 11, dust=14, lint=2, largest_mm=0.35)),
        ),
        Story(
            "seedy-window-bright",
            "Bubbles drawn out along the ribbon",
            "Five bubbles from 0.4 to 2.3 mm in one pane: too many of the larger ones for the grade ordered.",
            "eschenfurt-window",
            with_(whole("bright_field", 102), seedy, dirt(INSIDE, 12, dust=9, lint=1, largest_mm=0.3)),
        ),
        Story(
            "seedy-window-dark",
            "The same pane in dark field",
            "The pane of the photo before under oblique light from both sides: double arcs instead of rings.",
            "eschenfurt-window",
            with_(
                whole("dark_field", 103),
                tuple(replace(b, strength=0.5) for b in seedy),
                dirt(INSIDE, 12, dust=9, lint=1, largest_mm=0.3),
            ),
        ),
        Story(
            "stone-in-mirror-dark",
            "A stone in mirror glass",
            "One stone of 0.9 mm with its halo in dark field: good enough for a window, not for a mirror.",
            "eschenfurt-mirror",
            with_(
                whole("dark_field", 104, 0.15),
                (stone(287, 142, 0.9, 31, strength=0.7, halo=0.04), bubble(142, 262, 0.27, 32, aspect=1.2)),
                dirt(INSIDE, 13, dust=22, lint=3, largest_mm=0.3),
            ),
        ),
        Story(
            "scratch-with-skips-dark",
            "A long scratch that skips",
            "A handling scratch of 214 mm across the pane, broken in three places: one scratch, not four.",
            "eschenfurt-window",
            with_(
                whole("dark_field", 105, 0.19),
                (
                    scratch(
                        (131, 309),
                        (312, 197),
                        0.08,
                        33,
                        strength=0.55,
                        bow_mm=6,
                        gaps=((0.22, 0.25), (0.48, 0.53), (0.8, 0.82)),
                    ),
                    bubble(402, 92, 0.7, 34, aspect=1.3),
                ),
                dirt(INSIDE, 14, dust=30, lint=5),
            ),
        ),
        Story(
            "marked-and-touched-bright",
            "Writing, drips and hands",
            (
                "One bubble, ringed and labelled in felt pen by the line. The rest is on the glass, "
                "not in it: dried drops, a finger mark, the ring of a suction cup."
            ),
            "eschenfurt-window",
            with_(
                whole("bright_field", 106, 0.18),
                (bubble(402, 131, 1.1, 35, aspect=1.5, halo=0.03),),
                (*drawn_on, *dirt(INSIDE, 15, dust=35, lint=8)),
            ),
        ),
    ]


def _stock_sheets() -> list[Story]:
    tile = (1640.0, 2200.0, 2040.0, 2500.0)
    first = setting("dark_field", STOCK, tile, 0.155, 111, tilt_deg=3.0, k1=-0.006)
    later = (1640.0, 4100.0, 2040.0, 4400.0)
    second = setting("dark_field", STOCK, later, 0.155, 112, tilt_deg=3.0, k1=-0.006)
    edge = (-46.0, 3000.0, 334.0, 3285.0)
    faint = (800.0, 800.0, 1230.0, 1120.0)
    near = (2300.0, 5200.0, 2500.0, 5350.0)
    return [
        Story(
            "stone-at-1840-first",
            "A stone at 1840 mm across",
            (
                "Part of a stock sheet. A stone of 1.3 mm with a tail along the draw, 1840 mm from the left "
                "edge."
            ),
            "eschenfurt-window",
            with_(
                first,
                (stone(1840, 2341, 1.3, 51, style="wispy", strength=0.6, halo=0.03),),
                dirt(tile, 16, dust=18, lint=3),
            ),
        ),
        Story(
            "stone-at-1840-again",
            "The same place across, one sheet on",
            "The next sheet but one: another stone of the same look at 1843 mm. Something sheds in one spot.",
            "eschenfurt-window",
            with_(
                second,
                (
                    stone(1843, 4236, 1.1, 52, style="wispy", strength=0.6, halo=0.03),
                    bubble(1720, 4310, 0.5, 53),
                ),
                dirt(later, 17, dust=24, lint=2),
            ),
        ),
        Story(
            "faint-scratch-bright",
            "A faint scratch along the draw",
            "0.05 mm wide, 118 mm long, seen as a line of a few grey values at 0.2 mm per pixel.",
            "eschenfurt-garden",
            with_(
                setting("bright_field", STOCK, faint, 0.2, 113, tilt_deg=5.0, k1=0.008),
                (scratch((1003, 901), (1009, 1019), 0.05, 54, strength=0.32, bow_mm=1.0),),
                dirt(faint, 18, dust=25, lint=6),
            ),
        ),
        Story(
            "chipped-edge-bright",
            "The cut edge with chips",
            "The sheet's left edge in the field, the bench beyond it, an open bubble close to the edge.",
            "eschenfurt-garden",
            replace(
                with_(
                    setting("bright_field", STOCK, edge, 0.16, 114),
                    (
                        bubble(38, 3140, 1.6, 55, aspect=1.2, style="open"),
                        bubble(210, 3085, 1.2, 56, aspect=2.2),
                    ),
                    dirt((5, 3000, 334, 3285), 19, dust=20, lint=3),
                ),
                beyond="bench",
            ),
        ),
        Story(
            "close-up-tilted-bright",
            "A close-up, held askew, under flickering tubes",
            (
                "0.075 mm per pixel, the camera tilted by 11 degrees, bands from the tubes' flicker: bubbles "
                "with halos, a stone."
            ),
            "eschenfurt-mirror",
            _flickering(
                with_(
                    setting("bright_field", STOCK, near, 0.075, 115, tilt_deg=11.0, k1=-0.012, tag_mm=14.0),
                    (
                        bubble(2362, 5246, 0.94, 57, aspect=1.5, halo=0.04),
                        bubble(2421, 5301, 0.42, 58, aspect=1.2, halo=0.03),
                        bubble(2466, 5262, 0.2, 59, aspect=1.1, style="slope"),
                        stone(2391, 5318, 0.55, 60, style="angular", halo=0.03),
                    ),
                    dirt(near, 20, dust=20, lint=3, largest_mm=0.25),
                )
            ),
        ),
        Story(
            "fixed-camera-dark",
            "The fixed camera over the table",
            "A square-on camera of known scale, no tags: the set-up gives 0.25 mm per pixel.",
            "eschenfurt-garden",
            with_(
                setting("dark_field", STOCK, (600.0, 1500.0, 1240.0, 1980.0), 0.25, 116, scale="given"),
                (
                    bubble(771, 1622, 1.7, 61, aspect=1.8, halo=0.05),
                    bubble(1012, 1855, 0.9, 62, aspect=1.3),
                    stone(1121, 1701, 1.6, 63, style="angular", strength=0.55, halo=0.03),
                    scratch((843, 1840), (902, 1741), 0.06, 64, strength=0.5, bow_mm=-2),
                ),
                dirt((600, 1500, 1240, 1980), 21, dust=40, lint=9),
            ),
        ),
    ]


def _troubles() -> list[Story]:
    blurred = replace(whole("bright_field", 121, 0.2), blur=Blur(1.2, disc_radius_px=5.5))
    wide = setting("bright_field", (2400.0, 1800.0), around((2400.0, 1800.0), 110.0), 0.95, 122, tag_mm=90.0)
    snap = (400.0, 400.0, 720.0, 640.0)
    return [
        Story(
            "out-of-focus-bright",
            "Out of focus",
            (
                "The camera focused on the lamps behind the glass. Two bubbles can be guessed, none can be "
                "sized."
            ),
            "eschenfurt-window",
            with_(
                blurred,
                (bubble(201, 152, 2.2, 71, aspect=1.5), bubble(352, 268, 1.6, 72)),
                dirt(INSIDE, 22, dust=20, lint=4),
            ),
        ),
        Story(
            "too-coarse-for-window-bright",
            "A whole large pane in one photo",
            (
                "0.95 mm per pixel: good for some millimetres and up, the grade's smallest class of 0.5"
                " mm is out of reach."
            ),
            "eschenfurt-window",
            with_(
                wide,
                (
                    bubble(802, 611, 5.2, 73, aspect=1.5, halo=0.03),
                    stone(1621, 1214, 4.4, 74),
                    bubble(1302, 402, 0.7, 75),
                ),
                dirt((20, 20, 2380, 1780), 23, dust=30, lint=6, largest_mm=1.1),
            ),
        ),
        Story(
            "no-scale-snapshot-bright",
            "A customer's snapshot",
            (
                "Sent with a complaint: a bubble and a fibre, no tags, no scale. It can be looked at, not "
                "measured."
            ),
            "eschenfurt-window",
            with_(
                setting("bright_field", STOCK, snap, 0.16, 123, scale="none", tilt_deg=8.0, k1=0.02),
                (bubble(561, 523, 2.8, 76, aspect=1.7, halo=0.04),),
                (
                    *dirt(snap, 24, dust=10, lint=4),
                    Clutter("reflection", "lamp", 640, 450, 90.0, 24.0, 0.4, 77),
                ),
            ),
        ),
    ]


def _flickering(scene: SceneSpec) -> SceneSpec:
    sensor = replace(scene.sensor, flicker=0.06, flicker_period_px=310.0, flicker_phase=1.1)
    return replace(scene, sensor=sensor, lamp=replace(scene.lamp, pitch_mm=70.0, ripple=0.16))
