"""The furnace behind the trace: plant figures, tracer runs, and which of them the trace uses."""

import tempfile
from pathlib import Path

from flask import flash, redirect, render_template, request, url_for
from flask.typing import ResponseReturnValue
from flask_login import current_user
from sqlalchemy import select

from models.clock import utc_now
from models.errors import BadValue
from models.imports import import_file
from models.records import Line
from models.tracer_runs import GOOD_RECOVERY, figures_of, run_view, runs_of_line, set_in_use, usual_pull
from webapp.figures.tracer_figure import draw_tracer
from webapp.plant import commit, current_plant, db
from webapp.security import origin, roles
from webapp.trace.blueprint import LEADS, bp, line_asked_for

MOST_MB = 5
SECTION_NAMES = {"melter": "melter", "refiner": "refiner", "melter+refiner": "melter and refiner"}


@bp.get("/furnace")
@roles(*LEADS)
def furnace() -> ResponseReturnValue:
    """What the trace knows of melter and refiner, and the way to bring a tracer run in."""
    lines = db().scalars(select(Line).order_by(Line.name)).all()
    if not lines:
        return render_template("trace/no_line.html")
    line = line_asked_for(lines, request.args.get("line", ""))
    now = utc_now()
    runs = runs_of_line(db(), line.id, now)
    return render_template(
        "trace/furnace.html",
        line=line,
        lines=lines,
        runs=runs,
        used={route: view for view in runs for route in view.used_for},
        figures=figures_of(db(), line.id, now),
        pull=usual_pull(db(), line.id),
        section_names=SECTION_NAMES,
        most_mb=MOST_MB,
    )


@bp.get("/furnace/runs/<int:run_id>")
@roles(*LEADS)
def tracer_run(run_id: int) -> ResponseReturnValue:
    """One run: its curve, what it says of the vessel, its samples."""
    view = run_view(db(), run_id, utc_now())
    line = db().get_one(Line, view.run.line_id)
    pull = usual_pull(db(), line.id)
    drawn = None if view.result is None else draw_tracer(view.result, view.run.method, pull)
    low, high = GOOD_RECOVERY
    return render_template(
        "trace/tracer_run.html",
        view=view,
        line=line,
        pull=pull,
        figure=drawn,
        section_names=SECTION_NAMES,
        recovery_good=view.recovery is None or low <= view.recovery <= high,
    )


@bp.post("/furnace/runs/<int:run_id>/use")
@roles(*LEADS)
def use_run(run_id: int) -> ResponseReturnValue:
    """Let the trace use a run, or do without it, by name."""
    wanted = request.form.get("to") == "use"
    run = set_in_use(db(), run_id, wanted, current_user.user_id, request.form.get("note", ""))
    commit()
    flash(
        f"The trace {'uses' if wanted else 'does without'} run {run.run_id} from now on, by your name.",
        "done",
    )
    return redirect(url_for("trace.tracer_run", run_id=run_id), 303)


@bp.post("/furnace/runs")
@roles(*LEADS)
def add_runs() -> ResponseReturnValue:
    """A tracer file from the browser, as `lehrbook import tracer` takes it."""
    file = request.files.get("file")
    if file is None or not file.filename:
        raise BadValue("no file was chosen; nothing was stored")
    lines = db().scalars(select(Line).order_by(Line.name)).all()
    if not lines:
        raise BadValue("no line is set up yet; nothing was stored")
    line = line_asked_for(lines, request.form.get("line", ""))
    line_id, name, user_id = line.id, line.name, current_user.user_id
    # the file goes in by a transaction of its own: what this request has read must not hold it up
    db().rollback()
    data = file.stream.read(MOST_MB * 1_000_000 + 1)
    if len(data) > MOST_MB * 1_000_000:
        raise BadValue(f"{file.filename}: larger than {MOST_MB} MB; nothing was stored")
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / (Path(file.filename).name[:120] or "tracer.csv")
        path.write_bytes(data)
        report = import_file(
            current_plant().sessions, "tracer", path, line=name, user_id=user_id,
            skip_bad="skip_bad" in request.form, origin=origin(), skip_word="the box below the file",
        )  # fmt: skip
    for text in (*report.warnings, *(f"refused: {refusal}" for refusal in report.refused)):
        flash(text, "note")
    flash(report.says(), "done")
    return redirect(url_for("trace.furnace", line=line_id), 303)
