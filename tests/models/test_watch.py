"""Notices: opened for what is going on, renewed while it grows, closed when it is over."""

from datetime import timedelta

import numpy as np
import pytest
from sqlalchemy import select

from models import audit, notices, watch
from models.records import AuditEntry, EpisodeNotice
from models.trace import Curve, Episode
from tests import factories

NOW = factories.NOON
EMPTY = np.empty(0)


def _episode(**values):
    given = {
        "kind": "stone",
        "x_lo_mm": 1000.0,
        "x_hi_mm": 1200.0,
        "whole_width": False,
        "seen_start_s": (NOW - timedelta(hours=10)).timestamp(),
        "seen_end_s": (NOW - timedelta(hours=1)).timestamp(),
        "from_m": 5000.0,
        "to_m": 9000.0,
        "count": 12,
        "expected": 1.5,
        "p_value": 1e-6,
        "section": "melter",
        "section_weights": {"melter": 1.0},
        "origin_start_s": (NOW - timedelta(days=3)).timestamp(),
        "origin_end_s": (NOW - timedelta(days=2)).timestamp(),
        "onset_s": (NOW - timedelta(days=2.8)).timestamp(),
        "stop_s": (NOW - timedelta(days=2.2)).timestamp(),
        "causes": (),
        "none_weight": 1.0,
        "course": "burst",
        "pitch": None,
        "rolls": (),
        "curve": Curve(EMPTY, 1.0, EMPTY, EMPTY, EMPTY, EMPTY),
        "members": EMPTY,
    }
    return Episode(**given | values)


@pytest.fixture
def line(session):
    return factories.make_line(session)


def _bring(session, line, *episodes, newest=NOW):
    count = watch.bring_up_to_date(session, line.id, episodes, newest, line.time_zone)
    assert count == len(notices.open_notices(session, line.id))
    return session.scalars(select(EpisodeNotice).order_by(EpisodeNotice.id)).all()


def test_a_new_episode_opens_one_notice_and_seen_again_it_stays_one(session, line):
    for _ in range(3):
        rows = _bring(session, line, _episode())
    assert len(rows) == 1
    assert rows[0].result["count"] == 12
    assert rows[0].seen_start == NOW - timedelta(hours=10)


def test_a_growing_episode_renews_its_notice_and_keeps_who_saw_it(session, line):
    user = factories.make_user(session)
    [notice] = _bring(session, line, _episode())
    notices.acknowledge(session, notice.id, user.id, "told the furnace")
    [same] = _bring(session, line, _episode(count=20, to_m=9900.0, x_hi_mm=1210.0))
    assert same.id == notice.id
    assert (same.to_m, same.x_hi_mm, same.result["count"]) == (9900.0, 1210.0, 20)
    assert same.acknowledged_by == user.id


@pytest.mark.parametrize(
    "other",
    [{"kind": "bubble"}, {"x_lo_mm": 2000.0, "x_hi_mm": 2100.0}, {"from_m": 20_000.0, "to_m": 21_000.0}],
    ids=["kind", "band", "stretch"],
)
def test_an_episode_of_another_kind_band_or_stretch_gets_a_notice_of_its_own(session, line, other):
    rows = _bring(session, line, _episode(), _episode(**other))
    assert len(rows) == 2


def test_an_episode_that_is_over_or_gone_closes_its_notice(session, line):
    _bring(session, line, _episode(), _episode(kind="bubble"))
    rows = _bring(session, line, _episode(), newest=NOW + timedelta(days=1))
    assert [row.closed_at is None for row in rows] == [True, False]
    rows = _bring(session, line, _episode(), newest=NOW + timedelta(days=4))
    assert [row.closed_at is None for row in rows] == [False, False]


def test_old_episodes_are_history_and_open_no_notice(session, line):
    old = _episode(seen_end_s=(NOW - timedelta(days=5)).timestamp())
    assert _bring(session, line, old) == []


def test_opening_and_closing_stand_in_the_chain_of_acts(session, line):
    _bring(session, line, _episode())
    _bring(session, line)
    acts = session.scalars(select(AuditEntry.action).order_by(AuditEntry.id)).all()
    assert [act for act in acts if act.startswith("notice")] == ["notice.open", "notice.close"]
    assert list(audit.verify(session)) == []


def test_another_lines_notices_are_left_alone(session, line):
    other = factories.make_line(session)
    _bring(session, other, _episode())
    assert _bring(session, line)[0].closed_at is None


def test_a_line_with_nothing_in_the_books_is_passed_over(sessions, session, line):
    session.commit()
    assert watch.look(sessions, line.id) is None
