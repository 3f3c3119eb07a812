"""The course since a fix: its points add up, and its figure shows what the verdict says."""

import re
from datetime import timedelta

import pytest
from sqlalchemy.orm import Session

from tests.cases.small_case import acted, opened, write_history
from tests.trends.small_log import day
from tracelog.cases.queries import case
from tracelog.cases.rules import Side, Verdict
from tracelog.cases.since.drawing import picture_of
from tracelog.cases.since.queries import course_of
from tracelog.cases.since.rules import course

MILLION = 1_000_000


def test_the_points_end_where_the_comparison_does(session: Session) -> None:
    write_history(session)
    case_id = opened(session, place="1")
    acted(session, case_id)
    for at in (day(7), day(10), day(10) + timedelta(hours=5)):
        standing = case(session, case_id, at)
        found = course_of(session, standing.case, standing.verification.before, at)
        last, after = found.points[-1], standing.verification.after
        assert (last.happenings, last.strokes) == (after.happenings, after.strokes)
        assert len(found.moments) == len(found.points)
        assert list(found.moments) == sorted(found.moments)
        assert last.shows == (standing.verification.verdict is Verdict.HELD)


def test_without_an_action_there_is_no_course(session: Session) -> None:
    write_history(session)
    standing = case(session, opened(session), day(6))
    found = course_of(session, standing.case, standing.verification.before, day(6))
    assert (found.moments, found.points) == ((), ())
    assert picture_of(found.points) is None


def test_what_was_to_be_expected_is_the_rate_of_before() -> None:
    strokes = [MILLION * n for n in range(1, 7)]
    found = course(Side(20, 10 * MILLION), strokes, [0, 0, 0, 1, 1, 2])
    assert [one.expected for one in found] == pytest.approx([2, 4, 6, 8, 10, 12])
    assert [one.limit for one in found][:4] == [None, None, 0, 0]
    assert [one.shows for one in found][:4] == [False, False, True, False]
    assert course(Side(0, 0), strokes, [0] * 6) == []


def test_the_figure_steps_up_at_every_happening_and_stays_within_its_frame() -> None:
    found = course(Side(20, 10 * MILLION), [MILLION, 4 * MILLION, 9 * MILLION], [1, 1, 3])
    drawn = picture_of(found)
    assert drawn is not None
    numbers = [float(one) for one in re.findall(r"[-\d.]+", drawn.happened + drawn.shown)]
    assert min(numbers) >= 0
    assert max(numbers) <= drawn.width
    heights = [float(one) for one in re.findall(r"V([\d.]+)", drawn.happened)]
    assert heights == sorted(heights, reverse=True)
    assert heights[0] == heights[1] > heights[2]
    assert drawn.limit
    assert [text for _x, text in drawn.along] == ["0", "2", "4", "6", "8"]
