"""plant.toml: every field's fault has its place; what is written is read back."""

import unicodedata
from datetime import date, time
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.intake.folders import PLANT
from tracelog.intake.plant_file import PlantText, read_plant_file, write_plant_file


def told(folder: Path, content: str | bytes) -> list[str]:
    path = folder / "plant.toml"
    path.write_bytes(content if isinstance(content, bytes) else content.encode())
    read = read_plant_file(path)
    assert (read.fact is None) == bool(read.faults)
    return [str(fault) for fault in read.faults]


def test_a_good_file_is_read(tmp_path: Path) -> None:
    assert told(tmp_path, PLANT) == []
    assert told(tmp_path, b"\xef\xbb\xbf" + PLANT.replace("\n", "\r\n").encode()) == []
    assert told(tmp_path, 'name = "A"\ntime_zone = "UTC"\n') == []


def test_dates_and_times_may_be_values_of_toml(tmp_path: Path) -> None:
    plain = PLANT.replace('"2026-01-05"', "2026-01-05").replace('"06:00"', "06:00:00")
    assert told(tmp_path, plain) == []


@pytest.mark.parametrize(
    ("good", "bad", "place"),
    [
        ('name = "Alder Point"\n', "", "1: name: "),
        ('"Alder Point"', '""', "1: name: "),
        ('"Alder Point"', '"' + "x" * 81 + '"', "1: name: "),
        ('time_zone = "Europe/Madrid"\n', "", "1: time_zone: "),
        ('"Europe/Madrid"', '"Europe/Nowhere"', "2: time_zone: "),
        ('"Europe/Madrid"', "7", "2: time_zone: "),
        ('time_zone = "Europe/Madrid"', 'time_zone = "Europe/Madrid"\ncolour = 1', "3: colour: "),
        ("[20, 95]", "[95, 20]", "5: transit: minutes: "),
        ("[20, 95]", "20", "5: transit: minutes: "),
        ("[20, 95]", "[20, 95, 99]", "5: transit: minutes: "),
        ("[20, 95]", "[-1, 95]", "5: transit: minutes: "),
        ("minutes = [20, 95]", "minutes = [20, 95]\nhours = 1", "6: transit: hours: "),
        ("[transit]\nminutes = [20, 95]", "transit = 7", "4: transit: "),
        ('name = "night"\n', "", "11: shift 2: name: "),
        ('"18:00"', '"25:00"', "13: shift 2: starts: "),
        ('"18:00"', '"06:00"', "7: shift: "),
        ('"06:00"', '"six"', "9: shift 1: starts: "),
        ('"2026-01-05"', '"soon"', "16: rota: starts_on: "),
        ('starts_on = "2026-01-05"\n', "", "15: rota: starts_on: "),
        ('{ day = "A", night = "C" },', "7,", "17: rota: cycle: "),
        ('{ day = "A", night = "C" },', '{ day = "A" },', "17: rota: cycle: "),
        ('day = "A", night = "C"', 'day = "A", night = 1.5', "17: rota: cycle: "),
        ('day = "A"', 'day = ""', "17: rota: cycle: "),
    ],
)
def test_a_bad_field_is_told_where_it_stands(
    tmp_path: Path, good: str, bad: str, place: str
) -> None:
    assert good in PLANT
    (sentence,) = told(tmp_path, PLANT.replace(good, bad, 1))
    assert sentence.startswith(f"plant.toml:{place}")
    assert len(sentence) > len(place) + 25


def test_a_rota_that_does_not_name_each_shift_is_told(tmp_path: Path) -> None:
    three = PLANT.replace("[rota]", '[[shift]]\nname = "late"\nstarts = "22:00"\n\n[rota]')
    (sentence,) = told(tmp_path, three)
    assert sentence.startswith("plant.toml:19: rota: names 2 crews a day, but there are 3 shifts")


@pytest.mark.parametrize(
    ("content", "sentence"),
    [
        (b'name = "A"\ntime_zone = \n', "plant.toml:2: is not valid TOML: Invalid value"),
        (b'name = "A"\nname = "B"\n', "plant.toml:2: is not valid TOML: Cannot overwrite"),
        (b'name = "A"\n[[shift', "plant.toml:2: is not valid TOML:"),
        (b'name = "A"\ntime_zone = "\xff"\n', "plant.toml:2: is not UTF-8"),
        (b"name = " + b"[" * 100_000, "plant.toml:1: is not valid TOML"),
        (b'name = "' + b"x" * 1_000_001 + b'"', "plant.toml:1: is larger than 1 MB"),
    ],
)
def test_what_is_no_toml_is_told(tmp_path: Path, content: bytes, sentence: str) -> None:
    (found,) = told(tmp_path, content)
    assert found.startswith(sentence)


NAMES = st.text(st.characters(exclude_categories=["Cc", "Cs"]), min_size=1, max_size=20).filter(
    lambda text: text == text.strip() and text.strip()
)
CREWS = st.sampled_from(["A", "B", 'crew "C"', "D\\E", "é"])


@st.composite
def plants(draw: st.DrawFn) -> PlantText:
    starts = draw(st.lists(st.times(timezones=st.none()), max_size=3, unique=True))
    starts = [time(one.hour, one.minute, one.second) for one in starts]
    starts = list(dict.fromkeys(starts))
    names = draw(st.lists(NAMES, min_size=len(starts), max_size=len(starts), unique=True))
    has_rota = bool(starts) and draw(st.booleans())
    cycle = [
        tuple((name, draw(CREWS)) for name in names)
        for _day in range(draw(st.integers(1, 4)) if has_rota else 0)
    ]
    return PlantText(
        draw(NAMES),
        draw(st.sampled_from(["Europe/Madrid", "Asia/Kathmandu", "UTC"])),
        draw(st.none() | st.just((20, 95))),
        tuple(zip(names, starts, strict=True)),
        draw(st.dates(date(2000, 1, 1), date(2100, 1, 1))) if has_rota else None,
        tuple(cycle),
    )


@given(plants())
def test_what_is_written_is_read_back(
    tmp_path_factory: pytest.TempPathFactory, plant: PlantText
) -> None:
    path = tmp_path_factory.mktemp("plant") / "plant.toml"
    path.write_text(write_plant_file(plant), encoding="utf-8", newline="\n")
    read = read_plant_file(path)
    assert read.faults == []
    assert read.fact is not None
    fact = read.fact

    def tidy(text: str) -> str:
        return unicodedata.normalize("NFC", text).strip()

    assert (fact.name, fact.time_zone) == (tidy(plant.name), plant.time_zone)
    assert (fact.transit.minutes if fact.transit else None) == plant.transit_minutes
    assert [(shift.name, shift.starts) for shift in fact.shift] == [
        (tidy(name), starts) for name, starts in plant.shifts
    ]
    cycle = [[(tidy(word), tidy(crew)) for word, crew in day] for day in plant.cycle]
    assert [list(day.items()) for day in (fact.rota.cycle if fact.rota else ())] == cycle
