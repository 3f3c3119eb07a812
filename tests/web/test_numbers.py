"""How numbers and instants are written on pages."""

from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest

from tracelog.web import numbers

MADRID = ZoneInfo("Europe/Madrid")
MOMENT = datetime(2026, 3, 28, 23, 15, tzinfo=UTC)


@pytest.mark.parametrize(
    ("value", "text"),
    [(None, "–"), (0, "0"), (999, "999"), (12345678, "12,345,678"), (1234.5, "1,234")],
)
def test_counts_keep_their_thousands_apart(value: float | None, text: str) -> None:
    assert numbers.count(value) == text


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (None, "–"),
        (0, "0"),
        (842, "842"),
        (9999, "9,999"),
        (81234, "81.2\N{NARROW NO-BREAK SPACE}k"),
        (81234567, "81.2\N{NARROW NO-BREAK SPACE}M"),
        (1023456789, "1.02\N{NARROW NO-BREAK SPACE}G"),
    ],
)
def test_large_counts_are_shortened(value: float | None, text: str) -> None:
    assert numbers.short_count(value) == text


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (None, "–"),
        (0, "0"),
        (0.012345, "0.0123"),
        (1.2345, "1.23"),
        (12.345, "12.3"),
        (123.45, "123"),
        (12345.6, "12,346"),
        (float("inf"), "∞"),
        (float("nan"), "–"),
        (0.0000001234, "0.000000"),
    ],
)
def test_rates_have_three_digits(value: float | None, text: str) -> None:
    assert numbers.rate(value) == text


@pytest.mark.parametrize(
    ("value", "text"),
    [(None, "–"), (0.634, "63\xa0%"), (0.999, "99\xa0%"), (1.0, "100\xa0%"), (1.27, "127\xa0%")],
)
def test_a_share_is_not_whole_before_it_is(value: float | None, text: str) -> None:
    assert numbers.share(value) == text


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (None, "–"),
        (0, "0\xa0%"),
        (0.004, "under 1 %"),
        (0.42, "42\xa0%"),
        (0.996, "over 99 %"),
        (1, "100\xa0%"),
    ],
)
def test_a_probability_is_never_rounded_to_certainty(value: float | None, text: str) -> None:
    assert numbers.probability(value) == text


def test_instants_are_shown_on_the_plants_clock() -> None:
    assert numbers.instant(MOMENT, MADRID) == "2026-03-29 00:15"
    assert numbers.clock(MOMENT, MADRID) == "00:15"
    assert numbers.day(MOMENT, MADRID) == "2026-03-29"
    assert numbers.day(date(2026, 3, 28), MADRID) == "2026-03-28"
    assert numbers.for_field(MOMENT, MADRID) == "2026-03-29T00:15"
    assert numbers.instant(None, MADRID) == numbers.clock(None, MADRID) == "–"
    assert numbers.day(None, MADRID) == "–"
    assert numbers.for_field(None, MADRID) == ""


@pytest.mark.parametrize(
    ("elapsed", "text"),
    [
        (timedelta(seconds=40), "40\xa0s ago"),
        (timedelta(minutes=12), "12\xa0min ago"),
        (timedelta(hours=5, minutes=50), "5\xa0h ago"),
        (timedelta(days=3, hours=2), "3\xa0d ago"),
        (-timedelta(days=3, hours=2), "in 3\xa0d"),
    ],
)
def test_how_long_ago_is_one_number(elapsed: timedelta, text: str) -> None:
    assert numbers.ago(MOMENT, MOMENT + elapsed) == text
    assert numbers.ago(None, MOMENT) == "–"
