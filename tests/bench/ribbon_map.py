"""How the ribbon page's queries grow with the number of defects. Run by hand:

    python -m tests.bench.ribbon_map [DEFECTS ...]        default: 100000 1000000 10000000

Each size is an SQLite database of its own in a temporary folder (ten million defects take about 2.5 GB
and some minutes to write). Times are medians; the reference beside them is one count over all defects in
the same run, which is the least that a database can do with them.
"""

import argparse
import statistics
import tempfile
import time
from collections.abc import Callable
from datetime import timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

from sqlalchemy import text
from sqlalchemy.orm import Session

from models import database, migrations
from models.database import reading, writing
from models.find_sheet import find_sheets
from models.history import sheet_history
from models.ribbon_filter import MapFilter
from models.ribbon_map import defects_in_view, ribbon_map
from models.shift_rates import shift_rates
from tests import factories

BERLIN = ZoneInfo("Europe/Berlin")
PER_SHEET = 10
SECONDS_A_SHEET = 36
RUNS = 3

SHEETS = """
with recursive n(i) as (select 0 union all select i + 1 from n where i < :last)
insert into sheet (id, label, line_id, cut_at, ribbon_start_m, x_left_mm, length_mm, width_mm, thickness_mm,
                   state, inspected_at, looked_fraction)
select i + 1, 'E' || printf('%08d', i), :line,
       strftime('%Y-%m-%d %H:%M:%S.000000', '2026-03-02 05:00:00', '+' || (i * 36) || ' seconds'),
       i * 6.0, 145, 6000, 3210, 4, 'finished',
       strftime('%Y-%m-%d %H:%M:%S.000000', '2026-03-02 05:10:00', '+' || (i * 36) || ' seconds'),
       case when i % 50 = 0 then null when i % 10 = 0 then 0.5 else 1.0 end
from n
"""
DEFECTS = """
with recursive n(i) as (select 0 union all select i + 1 from n where i < :last)
insert into defect (line_id, sheet_id, number, source, kind, x_mm, y_mm, length_mm, width_mm, ribbon_m,
                    ribbon_x_mm, found_at, recorded_at, withdrawn, current)
select :line, i / 10 + 1, i % 10 + 1, 'import',
       case when i % 10 < 7 then 'bubble' when i % 10 < 9 then 'stone' else 'scratch' end,
       (i * 7919) % 3200, (i * 104729) % 6000, 0.3 + (i % 37) / 20.0, 0.3,
       (i / 10) * 6.0 + ((i * 104729) % 6000) / 1000.0, 145 + (i * 7919) % 3200,
       strftime('%Y-%m-%d %H:%M:%S.000000', '2026-03-02 05:10:00', '+' || (i / 10 * 36) || ' seconds'),
       '2026-03-02 05:10:00.000000', 0, 1
from n
"""


def fill(session: Session, defects: int) -> int:
    """A line with so many defects, ten a sheet; gives its id."""
    line = factories.make_line(session)
    factories.make_figures(session, line.id)
    session.execute(text(SHEETS), {"last": defects // PER_SHEET - 1, "line": line.id})
    session.execute(text(DEFECTS), {"last": defects - 1, "line": line.id})
    return line.id


def median_s(work: Callable[[], object]) -> float:
    """Median time of RUNS runs."""
    times = []
    for _ in range(RUNS):
        begun = time.perf_counter()
        work()
        times.append(time.perf_counter() - begun)
    return statistics.median(times)


def measure(session: Session, line_id: int, defects: int) -> None:
    """Print the times of one size."""
    newest = factories.START + timedelta(seconds=SECONDS_A_SHEET * defects / PER_SHEET)
    count = text("select count(*) from defect where line_id = :line and current is 1 and ribbon_m >= 0")
    reference = median_s(lambda: session.execute(count, {"line": line_id}).scalar())
    print(f"\n{defects:>12,} defects; counting them all takes {reference:.3f} s")
    jobs: list[tuple[str, Callable[[], object]]] = []
    for name, days in (("day", 1), ("week", 7), ("month", 30), ("everything", 10_000)):
        wanted = MapFilter(line_id, begin=max(factories.START, newest - timedelta(days=days)))
        jobs.append(
            (
                f"map of a {name}" if days < 10_000 else "map of everything",
                lambda w=wanted: ribbon_map(session, w),
            )
        )
        jobs.append(
            (
                f"rates, {name}",
                lambda w=wanted: shift_rates(session, w, ("bubble", "stone", "scratch"), BERLIN),
            )
        )
    everything = MapFilter(line_id, begin=factories.START)
    far = 6.0 * defects / PER_SHEET
    jobs += [
        ("newest 50 as a list", lambda: defects_in_view(session, everything, 0.0, far, limit=50)),
        ("sheet by whole label", lambda: find_sheets(session, "E00000123")),
        ("sheet by part of a label", lambda: find_sheets(session, "0123")),
        ("history of a sheet", lambda: sheet_history(session, defects // PER_SHEET // 2)),
    ]
    for name, work in jobs:
        taken = median_s(work)
        print(f"  {name:<26}{taken:8.3f} s   {taken / reference:8.2f} x the count")


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("defects", nargs="*", type=int, default=[100_000, 1_000_000, 10_000_000])
    for defects in parser.parse_args().defects:
        with tempfile.TemporaryDirectory() as folder:
            engine = database.open_engine(database.sqlite_url(Path(folder) / "bench.sqlite3"))
            migrations.upgrade(engine)
            sessions = database.session_factory(engine)
            with writing(sessions) as session:
                line_id = fill(session, defects)
            with reading(sessions) as session:
                measure(session, line_id, defects)
            engine.dispose()
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
