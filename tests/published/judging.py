"""Short ways to put a pane before a grade, for the published checks."""

from models.grades import Build, DefectToJudge, Reason, SheetToJudge, Verdict, judge, load_sets

BOOK = load_sets()
CHECKER = "Ruta Saulyte"


def point(kind: str, size: float, x: float = 1000.0, y: float = 700.0, **more: float) -> DefectToJudge:
    """A round fault."""
    return DefectToJudge(kind, x, y, size, **{"width_mm": size, **more})


def line(
    length: float, x: float = 1000.0, y: float = 700.0, *, kind: str = "scratch", **more: float
) -> DefectToJudge:
    """A line; width 0.05 mm unless given."""
    return DefectToJudge(kind, x, y, length, **{"width_mm": 0.05, **more})


def verdict(
    grade: str,
    width: float,
    length: float,
    *defects: DefectToJudge,
    thickness: float = 4.0,
    use: str = "stock",
    confirmed: bool = False,
    build: Build | None = None,
    answers: dict[str, bool] | None = None,
    angle: float | None = None,
) -> Verdict:
    """The verdict of a grade on a pane of width x length mm; `confirmed` for tables from memory."""
    sheet = SheetToJudge(
        width, length, thickness, use, defects,
        build=build or Build(), answers=answers or {}, optical_angle_deg=angle,
    )  # fmt: skip
    return judge(sheet, BOOK.grade(grade), confirmed_by=CHECKER if confirmed else None)


def deciding(one: Verdict) -> list[Reason]:
    """The reasons that reject or leave undecided."""
    return [r for r in one.reasons if r.outcome in ("reject", "not_judged")]


def spread(
    count: int, kind: str, size: float, *, step: float = 310.0, width: float = 2000.0
) -> list[DefectToJudge]:
    """So many round faults on a square grid, `step` mm apart, from 100 mm off the corner."""
    columns = max(1, int((width - 100) // step))
    return [point(kind, size, 100 + step * (i % columns), 100 + step * (i // columns)) for i in range(count)]
