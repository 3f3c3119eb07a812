"""Numbers and days in each language: those of CLDR, and back."""

from datetime import date, datetime, timedelta

import pytest
from babel.numbers import format_decimal, parse_decimal
from hypothesis import given
from hypothesis import strategies as st

from tracelog import locales
from tracelog.locales import LANGUAGES

OTHERS = sorted(set(LANGUAGES) - {"en"})


@pytest.mark.parametrize("language", sorted(LANGUAGES))
@given(value=st.integers(-(10**12), 10**12))
def test_a_number_is_written_as_cldr_has_it(language: str, value: int) -> None:
    assert locales.number(value, ",", language) == format_decimal(value, "#,##0", language)


@pytest.mark.parametrize("language", sorted(LANGUAGES))
@given(thousandths=st.integers(-(10**9), 10**9))
def test_a_written_number_is_read_back_as_the_same(language: str, thousandths: int) -> None:
    written = locales.number(thousandths / 1000, ",.3f", language)
    assert float(parse_decimal(written, language)) == thousandths / 1000


@pytest.mark.parametrize("language", OTHERS)
@given(day=st.dates(date(1900, 1, 1), date(2200, 12, 31)))
def test_a_day_is_written_day_first_and_read_back(language: str, day: date) -> None:
    written = locales.day(day, language)
    assert datetime.strptime(written, "%d/%m/%Y").date() == day  # noqa: DTZ007


@given(day=st.dates(date(1900, 1, 1), date(2200, 12, 31)))
def test_in_english_a_day_is_written_as_in_iso_8601(day: date) -> None:
    assert locales.day(day, "en") == day.isoformat()


def test_weeks_begin_on_monday_and_years_in_january() -> None:
    monday = date(2026, 3, 30)
    for name in LANGUAGES:
        signs = locales.signs(name)
        assert len(set(signs.weekdays)) == 7
        assert len(set(signs.months)) == 12
    assert locales.signs("es").weekdays[monday.weekday()] == "lunes"
    assert locales.signs("pt_BR").weekdays[(monday + timedelta(days=6)).weekday()] == "domingo"
    assert locales.signs("pt_BR").months[monday.month - 1] == "março"


@pytest.mark.parametrize("language", OTHERS)
@given(thousandths=st.integers(0, 10**9))
def test_what_is_written_in_a_language_can_be_typed_in_it(language: str, thousandths: int) -> None:
    typed = locales.number(thousandths / 1000, ",.3f", language)
    assert float(locales.without_signs(typed, language)) == thousandths / 1000


@pytest.mark.parametrize("text", ["0.285", "12", "", "a,b", "1,2,3", "12.34,5", "1.2345,6", ",5"])
def test_what_is_no_number_in_a_language_stays_as_it_was_typed(text: str) -> None:
    assert locales.without_signs(text, "es") == text


def test_in_english_a_comma_is_no_decimal_sign() -> None:
    assert locales.without_signs("0,285", "en") == "0,285"
