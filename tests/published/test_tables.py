"""Every class of every published table: just under its ends, on them, just over.

The numbers are typed here a second time, from the sources named beside them, and not read from the grade
files. Each line: kind, size in mm, how many are allowed on a pane of 4000 x 2500 mm (10.00 m2), or ANY for
no limit, or HOLE where the source has no class. Tables that nobody here has seen in print say "from memory".
Standards are sold by their publishers: JIS by the Japanese Standards Association, GB by the Standardization
Administration of China, EN and ISO by the national standards bodies, ASTM by ASTM International. A "secondary
page" is a public web page of a firm that repeats a standard's numbers: it names no clause, and may be wrong.
Faults lie 320 mm and more apart, so that only the table decides.
"""

import pytest

from models.grades import DefectToJudge, judge
from models.grades.sheet import Build, SheetToJudge
from tests.published.judging import BOOK, CHECKER

ANY, HOLE = -1, -2

# JIS R 3202:2011, Float glass and polished plate glass (title from memory); table as printed in the scratch
# guide of the Flat Glass Manufacturers Association of Japan, a public booklet
JIS_3202 = [
    ("bubble", [(0.49, ANY), (0.5, 22), (0.999, 22), (1.0, 8), (1.999, 8), (2.0, 4), (2.999, 4), (3.0, 0)]),
    ("stone", [(0.499, ANY), (0.5, 11), (0.99, 11), (1.0, 4), (1.99, 4), (2.0, 2), (2.99, 2), (3.0, 0)]),
]
# JIS R 3203:2017, Patterned glass (title from memory); whole text seen on a public page of Japanese
# standards
JIS_3203 = [
    ("bubble", [(1.99, ANY), (2.0, 60), (4.99, 60), (5.0, 30), (9.99, 30), (10.0, 0)]),
    ("stone", [(1.99, ANY), (2.0, 10), (2.99, 10), (3.0, 0)]),
    ("ream", [(1.0, 0)]),
    ("scratch", [(0.5, 0)]),
    ("crack", [(1.0, 0)]),
]
# GB 11614-1999, Float glass (title from memory; withdrawn, followed by GB 11614-2009), mirror grade; read
# on a float maker's secondary page, whose comparison signs were lost; agrees with the standard as
# remembered
GB_99_2MM = [
    ("bubble", [(0.29, ANY), (0.3, 20), (0.5, 20), (0.501, 10), (1.0, 10), (1.01, 5), (1.5, 5), (1.51, 0)]),
    ("inclusion", [(0.29, ANY), (0.3, 20), (0.5, 20), (0.501, 5), (1.0, 5), (1.01, 0)]),
    ("ream", [(1.0, 0)]),
]
GB_99_3MM = [
    ("bubble", [(0.29, ANY), (0.3, 30), (0.5, 30), (0.501, 20), (1.0, 20), (1.01, 5), (1.5, 5), (1.51, 0)]),
    ("inclusion", [(0.29, ANY), (0.3, 10), (0.5, 10), (0.501, 5), (1.0, 5), (1.01, 0)]),
    ("crack", [(1.0, 0)]),
]
# GB 11614-1999, building grade: numbers from memory
GB_99_BUILDING = [
    ("bubble", [(0.49, ANY), (0.5, 55), (1.5, 55), (1.51, 11), (3.0, 11), (3.01, 4), (5.0, 4), (5.01, 0)]),
    ("inclusion", [(0.49, ANY), (0.5, 22), (1.0, 22), (1.01, 4), (2.0, 4), (2.01, 2), (3.0, 2), (3.01, 0)]),
]
# GB 11614-2009, Flat glass (title from memory): numbers from memory
GB_09_QUALIFIED = [
    ("bubble", [(0.49, ANY), (0.5, 20), (1.0, 20), (1.01, 10), (2.0, 10), (2.01, 5), (3.0, 5), (3.01, 0)]),
    ("distortion point", [(7.0, 20)]),  # counts as a point defect of 0.5 to 1.0
]
GB_09_FIRST = [
    ("stone", [(0.29, ANY), (0.3, 20), (0.5, 20), (0.51, 5), (1.0, 5), (1.01, 2), (1.5, 2), (1.51, 0)]),
    ("distortion point", [(0.1, 0)]),
]
GB_09_SUPERIOR = [
    ("bubble", [(0.29, ANY), (0.3, 10), (0.5, 10), (0.51, 2), (1.0, 2), (1.01, 0)]),
    ("distortion point", [(0.1, 0)]),
]
# GB/T 30984.1-2015, Solar glass, part 1 (title from memory); text extract on a public document page, in
# which some comparison signs were lost
GB_T_30984 = [
    ("bubble", [(0.49, ANY), (0.5, 50), (0.99, 50), (1.0, HOLE), (1.01, 30), (2.0, 30), (2.01, 0)]),
    ("long bubble", [(3.0, 30), (3.01, 0)]),
    ("inclusion", [(0.29, ANY), (0.3, 10), (1.0, 10), (1.01, 0)]),
]
# ASTM C1036, Standard Specification for Flat Glass, quality Q3, edition not stated; read on a glazing
# supplier's secondary page; 1/16 in, 3/32 in; here faults lie 640 mm apart
ASTM_Q3 = [("bubble", [(1.5875, ANY), (1.5876, ANY), (2.38125, ANY), (2.3813, 0)])]
# ASTM C1036, the same: metric limits from memory
ASTM_Q3_METRIC = [("bubble", [(1.59, ANY), (1.6, ANY), (2.49, ANY), (2.5, 0)])]
# EN 1096-1, Glass in building, Coated glass, part 1 (edition not stated); read in a processor's summary in
# Polish, a secondary page
EN_1096 = [("pinhole", [(1.99, ANY), (2.0, HOLE), (2.01, 10), (3.0, 10), (3.01, 0)])]
# Guideline on the visual quality of insulating glass units after EN 1279-1:2018, March 2019, tables 1 to 3,
# as published by a German processors' group on its public page; zone M, 10 m2: 5 + 2 x 7
IGU_2019 = [("bubble", [(0.5, 19), (2.0, 19), (2.01, 0)])]
# Guideline on the visual quality of glass in building, Germany, 2009 (title from memory), page 2, read in a
# public copy; main zone
IGU_2009 = [("bubble", [(1.99, 5), (2.0, HOLE), (2.01, 0)])]
# SIGAB 006, guideline of the Swiss institute for glass in building, edition not stated; read in a public
# tolerance handbook that follows it; main zone
SIGAB = [("bubble", [(0.5, ANY), (1.0, ANY), (1.01, HOLE), (2.0, HOLE), (2.01, 0)])]
# Polish criteria KT 20/S/2000 for insulating glass (2000; where they can be had is not stated); read on a
# processor's secondary page
POLISH = [("bubble", [(0.49, ANY), (0.5, ANY), (0.99, ANY), (1.0, HOLE), (1.01, 5), (3.0, 5), (3.01, 0)])]
# ISO 12543-6, Laminated glass, part 6: appearance (edition not known), two panes, from memory: 1.2 for each
# m2 above 8 m2
ISO_12543 = [
    ("bubble", [(0.5, ANY), (0.51, ANY), (1.0, ANY), (1.01, 12), (3.0, 12), (3.01, 0)]),
    ("scratch", [(29.9, ANY), (30.0, 2)]),
]
# EN 572-2, Basic soda lime silicate glass products, part 2: float glass, in any one pane, from memory
EN_572_2 = [
    ("bubble", [(0.2, ANY), (0.21, ANY), (0.5, ANY), (0.51, 5), (1.0, 5), (1.01, 1), (3.0, 1), (3.01, 1)]),
    ("scratch", [(5.0, 1)]),
]
# EN 572-8, the same, part 8: supplied and final cut sizes, a pane of 10 m2, from memory
EN_572_8 = [("bubble", [(0.2, ANY), (0.5, ANY), (0.51, 3), (1.0, 3), (1.01, 1), (3.0, 1), (3.01, 0)])]
# Table E.1 for toughened glass on a Dutch processor's secondary page, which names neither standard nor
# edition; where it can be had is not known; central zone, pane above 1.5 m2
TABLE_E1 = [
    ("bubble", [(0.4, 2), (1.49, 2), (1.5, HOLE), (1.51, 1), (3.0, 1), (3.01, 0)]),
    ("string", [(1.0, 0)]),
    ("stone", [(0.1, 0)]),
    ("palpable scratch", [(20.0, 1)]),
    ("hairline scratch", [(49.9, 5), (50.0, HOLE), (50.1, 3)]),
    ("crack", [(1.0, 0)]),
    ("scratch", [(1.0, HOLE)]),
]
# Silvered mirror, glazing quality, on a mirror maker's secondary page, which names no edition; the shape is
# that of ASTM C1503, Silvered Flat Glass Mirror (title from memory); central zone; here faults lie 1600 mm
# apart
MIRROR = [
    (
        "bubble",
        [(0.29, ANY), (0.3, ANY), (0.49, ANY), (0.5, HOLE), (0.79, HOLE), (0.8, ANY), (1.19, ANY), (1.2, 0)],
    )
]
# NHBC Standards 2019, chapter 9.1, section 9.1.6 Glazing; free to read at the National House Building
# Council
NHBC = [("scratch", [(25.0, ANY), (25.1, 0)]), ("bubble", [(1.0, HOLE)])]

TABLES = [
    ("jis-r-3202-2011", 4, JIS_3202, 320),
    ("jis-r-3203-2017", 4, JIS_3203, 320),
    ("gb-11614-1999-mirror", 2, GB_99_2MM, 320),
    ("gb-11614-1999-mirror", 3, GB_99_3MM, 320),
    ("gb-11614-1999-mirror", 5, GB_99_3MM, 320),
    ("gb-11614-1999-mirror", 6, GB_99_3MM, 320),
    ("gb-11614-1999-building", 4, GB_99_BUILDING, 320),
    ("gb-11614-2009-qualified", 4, GB_09_QUALIFIED, 320),
    ("gb-11614-2009-first", 4, GB_09_FIRST, 320),
    ("gb-11614-2009-superior", 4, GB_09_SUPERIOR, 320),
    ("gb-t-30984-1-2015", 3.2, GB_T_30984, 320),
    ("astm-c1036-q3", 6, ASTM_Q3, 640),
    ("astm-c1036-q3-metric", 6, ASTM_Q3_METRIC, 640),
    ("en-1096-1", 4, EN_1096, 320),
    ("igu-guideline-2019", 4, IGU_2019, 520),
    ("igu-guideline-2009", 4, IGU_2009, 320),
    ("sigab-006", 4, SIGAB, 320),
    ("igu-criteria-pl-2000", 4, POLISH, 320),
    ("iso-12543-6", 8, ISO_12543, 320),
    ("en-572-2-2012", 4, EN_572_2, 320),
    ("en-572-2-2004", 4, EN_572_2, 320),
    ("en-572-8-2012", 4, EN_572_8, 320),
    ("table-e1-toughened", 4, TABLE_E1, 320),
    ("mirror-glazing-quality", 4, MIRROR, 1600),
    ("nhbc-2019-glazing", 4, NHBC, 320),
]
LINES = [
    (grade, thickness, kind, size, allowed, step)
    for grade, thickness, table, step in TABLES
    for kind, row in table
    for size, allowed in row
]
QUIET = {"clusters": False, "strewn bubbles": False, "scratches disturb": False, "hairline scratches": False}


def outcome(grade: str, thickness: float, kind: str, size: float, count: int, step: int) -> str:
    rules = BOOK.grade(grade).confirmed(CHECKER)
    # well inside any edge zone of 10 %
    columns = int(3100 // step) + 1
    defects = tuple(
        DefectToJudge(kind, 420 + step * (i % columns), 260 + step * (i // columns), size, size)
        for i in range(count)
    )
    use = rules.uses[0]
    sheet = SheetToJudge(4000, 2500, thickness, use, defects, answers=QUIET, build=Build())
    return judge(sheet, rules).outcome


@pytest.mark.parametrize(("grade", "thickness", "kind", "size", "allowed", "step"), LINES)
def test_each_class_allows_what_the_table_says(
    grade: str, thickness: float, kind: str, size: float, allowed: int, step: int
) -> None:
    if allowed == HOLE:
        assert outcome(grade, thickness, kind, size, 1, step) == "not_judged"
    elif allowed == ANY:
        many = 2 if step == 1600 else 12 if step == 640 else 56
        assert outcome(grade, thickness, kind, size, many, step) == "accept"
    else:
        assert outcome(grade, thickness, kind, size, allowed, step) == "accept"
        assert outcome(grade, thickness, kind, size, allowed + 1, step) == "reject"


@pytest.mark.parametrize("thickness", [4, 8, 2.5])
def test_a_thickness_without_a_row_is_not_judged(thickness: float) -> None:
    one = judge(SheetToJudge(1000, 1000, thickness), BOOK.grade("gb-11614-1999-mirror"))
    assert one.outcome == "not_judged"
    assert "no rule covers this: thickness" in one.reasons[0].says


@pytest.mark.parametrize(
    ("panes", "within", "most_small_pane"), [(2, 200, 1), (3, 180, 2), (4, 150, 3), (5, 100, 4), (7, 100, 4)]
)
def test_laminates_by_number_of_panes(panes: int, within: float, most_small_pane: int) -> None:
    """ISO 12543-6, from memory: four closer than 200, 180, 150, 100 mm are a cluster; 1, 2, 3, 4 on up to 1
    m2.
    """
    grade = BOOK.grade("iso-12543-6").confirmed(CHECKER)

    def judged(build: Build, *defects: DefectToJudge) -> str:
        return judge(SheetToJudge(1000, 1000, 8, defects=defects, build=build), grade).outcome

    line = [DefectToJudge("bubble", 300 + i * within / 3, 500, 0.8) for i in range(4)]
    assert judged(Build(panes=panes), *line) == "accept"  # the outer two exactly `within` apart
    assert (
        judged(Build(panes=panes), *line[:3], DefectToJudge("bubble", 300 + within - 0.1, 500, 0.8))
        == "reject"
    )
    large = [DefectToJudge("bubble", 200 + 100 * i, 200, 2.0) for i in range(most_small_pane + 2)]
    assert judged(Build(panes=panes), *large[:most_small_pane]) == "accept"
    assert judged(Build(panes=panes), *large[: most_small_pane + 1]) == "reject"
    thick = Build(panes=panes, interlayer_mm=2.28)
    assert judged(thick, *large[: most_small_pane + 1]) == "accept"
    assert judged(thick, *large) == "reject"


@pytest.mark.parametrize(("length", "single", "expected"), [(1000, 15.0, "accept"), (1000, 15.1, "reject")])
def test_lines_of_the_polish_criteria(length: float, single: float, expected: str) -> None:
    """Polish criteria KT 20/S/2000, as above: single 15 mm; total 40 up to 1 m2, 45 up to 2 m2, 50 above."""
    grade = BOOK.grade("igu-criteria-pl-2000")

    def judged(pane_length: float, *lengths: float) -> str:
        lines = tuple(DefectToJudge("scratch", 300, 100 + 30 * i, n, 0.1) for i, n in enumerate(lengths))
        return judge(SheetToJudge(1000, pane_length, 4, defects=lines), grade).outcome

    assert judged(length, single) == expected
    for pane, total in ((1000, 40), (2000, 45), (2001, 50)):
        rest = total - 30
        assert judged(pane, 15, 15, *(5,) * (rest // 5)) == "accept"
        assert judged(pane, 15, 15, *(5,) * (rest // 5), 0.1) == "reject"


@pytest.mark.parametrize(
    ("thickness", "depth", "width", "length", "expected"),
    [
        (6, 3.0, 6.35, 12.7, "accept"),
        (6, 3.01, 6.35, 12.7, "reject"),
        (6, 3.0, 6.36, 12.7, "reject"),
        (6, 3.0, 6.35, 12.71, "reject"),
        (6, None, 1.0, 1.0, "not_judged"),
    ],
)
def test_edge_chips_of_glazing_select(
    thickness: float, depth: float | None, width: float, length: float, expected: str
) -> None:
    """ASTM C1036, edge chips, by the page named above: half the thickness deep, the greater of t / 2 and
    1/4 in wide, 2 x as long.
    """
    chip = DefectToJudge("chip", 0, 500, length, width, depth_mm=depth)
    sheet = SheetToJudge(1000, 1000, thickness, defects=(chip,))
    assert judge(sheet, BOOK.grade("astm-c1036-q3")).outcome == expected


@pytest.mark.parametrize(
    ("thickness", "size", "expected"),
    [(4, 4.0, "accept"), (4, 4.1, "reject"), (12, 8.0, "accept"), (12, 8.1, "reject")],
)
def test_section_defects_by_thickness(thickness: float, size: float, expected: str) -> None:
    """GB 11614-2009, from memory: not more than the thickness up to 8 mm, not more than 8 mm above."""
    sheet = SheetToJudge(1000, 1000, thickness, defects=(DefectToJudge("chip", 0, 500, size, size),))
    assert judge(sheet, BOOK.grade("gb-11614-2009-first"), confirmed_by=CHECKER).outcome == expected


def test_photovoltaic_chips_by_the_metre_of_each_side() -> None:
    """GB/T 30984.1-2015, the extract named above: one of up to 5 x 1 mm for each metre of each side."""
    grade = BOOK.grade("gb-t-30984-1-2015")

    def judged(*places: tuple[float, float], size: float = 5.0, width: float = 1.0) -> str:
        chips = tuple(DefectToJudge("chip", x, y, size, width) for x, y in places)
        sheet = SheetToJudge(1000, 2000, 3.2, defects=chips, answers={"chip depth": False})
        return judge(sheet, grade).outcome

    assert judged((0, 500), (0, 1500), (1000, 700), (400, 0)) == "accept"
    assert judged((0, 500), (0, 1500), (0, 1000)) == "reject"
    assert judged((400, 0), (600, 0)) == "reject"
    assert judged((0, 500), size=5.1) == "reject"
    assert judged((0, 500), width=1.1) == "reject"


@pytest.mark.parametrize(
    ("seen_at", "expected"), [(1999.0, "accept"), (2000.0, "reject"), (None, "not_judged")]
)
def test_no_line_of_a_cut_size_may_be_seen_from_two_metres(seen_at: float | None, expected: str) -> None:
    """EN 572-8, as the Finnish flat glass association explains it on its public page (no edition stated)."""
    line = DefectToJudge("scratch", 500, 500, 40, 0.05, detection_distance_mm=seen_at)
    sheet = SheetToJudge(1000, 1000, 4, "cut_size", (line,))
    assert judge(sheet, BOOK.grade("en-572-8-2012"), confirmed_by=CHECKER).outcome == expected


@pytest.mark.parametrize(
    ("width", "length", "use"),
    [(99.9, 1000, "cut_size"), (220, 220, "cut_size"), (4000, 5001, "cut_size"), (1000, 1000, "stock")],
)
def test_panes_outside_the_scope_are_not_judged(width: float, length: float, use: str) -> None:
    """EN 572-8:2012+A1:2016: its public abstract leaves out sides under 100 mm and areas under 0.05 m2;
    stock sizes are EN 572-2.
    """
    one = judge(SheetToJudge(width, length, 4, use), BOOK.grade("en-572-8-2012"), confirmed_by=CHECKER)
    assert one.outcome == "not_judged"
    assert one.reasons[0].clause == "scope"
