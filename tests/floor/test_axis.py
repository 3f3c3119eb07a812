"""The drawing of a machine's time axis: everything inside it, also where the clock is changed."""

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tracelog.floor.axis import (
    LABEL_WIDTH,
    LEFT,
    RIGHT,
    WIDTH,
    Figure,
    Scale,
    axis,
    blocks,
    ticks,
)

ZONES = st.sampled_from(
    [ZoneInfo(name) for name in ("Europe/Madrid", "Australia/Lord_Howe", "Asia/Kathmandu", "UTC")]
)
MOMENTS = st.integers(0, 366 * 24 * 60).map(
    lambda minutes: datetime(2026, 1, 1, tzinfo=UTC) + timedelta(minutes=minutes)
)
SCALES = st.builds(
    lambda start, hours: Scale(start, start + timedelta(hours=hours)),
    MOMENTS,
    st.integers(1, 400 * 24),
)


@st.composite
def figures(draw: st.DrawFn) -> list[Figure]:
    drawn = draw(st.lists(st.tuples(MOMENTS, st.integers(0, 3000), st.integers(0, 10**7))))
    return [
        (start, start + timedelta(minutes=minutes), number, "text")
        for start, minutes, number in drawn
    ]


@given(SCALES, MOMENTS)
def test_every_place_is_inside_the_drawing(scale: Scale, moment: datetime) -> None:
    assert LEFT <= scale.place(moment) <= WIDTH - RIGHT


@given(SCALES, MOMENTS, MOMENTS)
def test_later_is_further_right(scale: Scale, one: datetime, other: datetime) -> None:
    assert scale.place(min(one, other)) <= scale.place(max(one, other))


@given(SCALES, figures())
def test_blocks_are_never_negative_and_stand_on_their_foot(
    scale: Scale, shown: list[Figure]
) -> None:
    drawn, highest = blocks(scale, shown, 200.0, 120.0)
    assert highest == max((one[2] for one in shown), default=0)
    for block, (_start, _end, number, _text) in zip(drawn, shown, strict=True):
        assert block.width >= 0.5
        assert LEFT <= block.x <= block.x + block.width <= WIDTH
        assert block.y + block.height == pytest.approx(200)
        assert 0 <= block.height <= 120
        assert (block.height == 0) or number > 0


@given(SCALES, ZONES)
def test_ticks_are_inside_apart_and_no_more_than_can_be_read(scale: Scale, zone: ZoneInfo) -> None:
    found = ticks(scale, zone)
    assert len(found) <= 17
    places = [tick.x for tick in found]
    assert places == sorted(set(places))
    for tick in found:
        assert LEFT <= tick.x <= WIDTH - RIGHT
        assert (tick.label == "") == (tick.x + LABEL_WIDTH > WIDTH)


@given(SCALES, ZONES)
def test_ticks_stand_at_midnight_of_the_plants_clock(scale: Scale, zone: ZoneInfo) -> None:
    if scale.end - scale.start <= timedelta(days=2):
        return
    for tick in ticks(scale, zone):
        share = (tick.x - LEFT) / (WIDTH - LEFT - RIGHT)
        moment = scale.start + share * (scale.end - scale.start)
        local = moment.astimezone(zone)
        since = timedelta(hours=local.hour, minutes=local.minute)
        off = min(since, timedelta(days=1) - since)
        # A place is rounded to a hundredth of the drawing's unit.
        assert off <= (scale.end - scale.start) / 60_000 + timedelta(minutes=1)


@pytest.mark.parametrize(
    ("start", "hours", "labels"),
    [
        # The clock is put forward at 02:00 and put back at 03:00.
        (datetime(2026, 3, 28, 23, tzinfo=UTC), 10, ["00:00", "03:00", "06:00", "09:00"]),
        (datetime(2026, 10, 24, 22, tzinfo=UTC), 12, ["00:00", "03:00", "06:00", "09:00"]),
    ],
)
def test_on_a_short_axis_ticks_are_hours_of_the_clock(
    start: datetime, hours: int, labels: list[str]
) -> None:
    scale = Scale(start, start + timedelta(hours=hours))
    found = ticks(scale, ZoneInfo("Europe/Madrid"))
    assert [tick.label for tick in found] == labels
    width = (WIDTH - LEFT - RIGHT) / hours
    spring = start.month == 3
    assert found[1].x - found[0].x == pytest.approx((2 if spring else 4) * width, abs=0.02)


def test_a_month_has_a_tick_every_four_days_across_the_clock_change() -> None:
    end = datetime(2026, 4, 10, 12, tzinfo=UTC)
    found = ticks(Scale(end - timedelta(days=28), end), ZoneInfo("Europe/Madrid"))
    assert [tick.label for tick in found] == [
        "03-17",
        "03-21",
        "03-25",
        "03-29",
        "04-02",
        "04-06",
        "",
    ]


@given(SCALES, ZONES, figures(), figures(), st.lists(MOMENTS))
def test_the_whole_drawing_holds_what_is_drawn(
    scale: Scale, zone: ZoneInfo, strokes: list[Figure], counts: list[Figure], marks: list[datetime]
) -> None:
    lanes = [("Services", "diamond", [(at, "service") for at in marks]), ("Tools", "ring", [])]
    drawn = axis(scale, zone, strokes, lanes, counts)
    assert (drawn.width, drawn.left) == (WIDTH, LEFT)
    assert [lane.label for lane in drawn.lanes] == ["Services", "Tools"]
    assert drawn.bars_height < drawn.lanes[0].y < drawn.lanes[1].y < drawn.counts_y < drawn.height
    assert all(block.y + block.height <= drawn.bars_height + 0.01 for block in drawn.blocks)
    lowest = drawn.lanes[1].y
    assert all(lowest <= block.y <= drawn.counts_y for block in drawn.counts)
    assert all(LEFT <= mark.x <= WIDTH - RIGHT for mark in drawn.lanes[0].marks)
    assert len(drawn.lanes[0].marks) == len(marks)
