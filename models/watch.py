"""The watch over a line: after each change in the books the newest weeks are traced, episodes are noticed.

A notice is opened for an episode that is new, kept up to date while it grows, and closed when it is over.
What the words "up since" rest on is kept with it: the traced episode as the trace result writes it.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta

from sqlalchemy import func, select
from sqlalchemy.orm import Session, sessionmaker

from models import audit, tracing
from models.clock import utc_now
from models.database import reading, writing
from models.errors import BadValue
from models.records import EpisodeNotice, Line, Sheet
from models.trace import Episode

#: an episode that ended longer ago than this, by the newest sheet, is history and not news
NEWS_FOR = timedelta(days=3)
#: an episode seen again may begin and end a little elsewhere
SLACK_M = 500.0
SLACK_MM = 20.0


def look(
    sessions: sessionmaker[Session], line_id: int, before: tracing.Traced | None = None
) -> tracing.Traced | None:
    """Trace a line's last weeks and bring its notices up to date; gives the trace, the next call's `before`.

    Nothing is done when nothing in the books has changed since `before`; None comes back for a line that
    has too little in the books. The trace runs outside any writing transaction.
    """
    with reading(sessions) as session:
        newest = session.scalar(select(func.max(Sheet.cut_at)).where(Sheet.line_id == line_id))
        zone = session.get_one(Line, line_id).time_zone
        if newest is None:
            return None
        try:
            traced = tracing.latest_trace(session, line_id)
        except BadValue:
            return None
    if traced is not before:
        with writing(sessions) as session:
            bring_up_to_date(session, line_id, traced.result.episodes, newest, zone)
    return traced


def bring_up_to_date(
    session: Session, line_id: int, episodes: Sequence[Episode], newest: datetime, time_zone: str
) -> int:
    """Open, renew and close the notices of a line so that they say what these episodes say.

    newest : when the newest sheet was cut. Returns how many notices are open afterwards.
    """
    now = utc_now()
    # others who watch the same line take turns here, so that one episode gets one notice
    session.execute(select(Line.id).where(Line.id == line_id).with_for_update())
    query = select(EpisodeNotice).where(EpisodeNotice.line_id == line_id, EpisodeNotice.closed_at.is_(None))
    known = list(session.scalars(query.order_by(EpisodeNotice.id)))
    current = [e for e in episodes if _time(e.seen_end_s) >= newest - NEWS_FOR]
    for episode in current:
        notice = next((one for one in known if _same(one, episode)), None)
        if notice is None:
            notice = EpisodeNotice(line_id=line_id, kind=episode.kind, noticed_at=now)
            session.add(notice)
            _write(notice, episode, now, time_zone)
            session.flush()
            audit.append(
                session, "notice.open", "episode_notice", notice.id, user_id=None,
                details={"kind": episode.kind, "from_m": episode.from_m, "count": episode.count},
            )  # fmt: skip
        else:
            known.remove(notice)
            if _grown(notice, episode):
                _write(notice, episode, now, time_zone)
    for over in known:
        over.closed_at = now
        audit.append(
            session, "notice.close", "episode_notice", over.id, user_id=None, details={"kind": over.kind}
        )
    session.flush()
    return len(current)


def _same(notice: EpisodeNotice, episode: Episode) -> bool:
    """Whether the notice is about this episode: the same kind, and boxes on the ribbon that meet."""
    return (
        notice.kind == episode.kind
        and notice.from_m <= episode.to_m + SLACK_M
        and episode.from_m <= notice.to_m + SLACK_M
        and notice.x_lo_mm <= episode.x_hi_mm + SLACK_MM
        and episode.x_lo_mm <= notice.x_hi_mm + SLACK_MM
    )


def _grown(notice: EpisodeNotice, episode: Episode) -> bool:
    return (notice.to_m, notice.result.get("count")) != (episode.to_m, episode.count)


def _write(notice: EpisodeNotice, episode: Episode, now: datetime, time_zone: str) -> None:
    notice.x_lo_mm, notice.x_hi_mm = episode.x_lo_mm, episode.x_hi_mm
    notice.from_m, notice.to_m = episode.from_m, episode.to_m
    notice.seen_start, notice.seen_end = _time(episode.seen_start_s), _time(episode.seen_end_s)
    notice.p_value = episode.p_value
    notice.result = episode.as_json(tracing.plant_clock(time_zone))
    notice.updated_at = now


def _time(time_s: float) -> datetime:
    return datetime.fromtimestamp(time_s, UTC)
