"""The Dome-number check by page, file, API and command, on a plant whose strokes are known."""

import json

import pytest
from sqlalchemy import Engine

from tests.support.clock import Clock
from tests.support.command import Command
from tests.support.markup import form_on, seen, summary, wrong
from tests.support.site import Cast, Visit
from tests.trace.two_lines import ZONE, bear_code, hour, write_plant, write_readings
from tracelog.cases.domes.checking import DomesAnswer, check_domes
from tracelog.cases.domes.facts import DomesFact
from tracelog.cases.domes.wording import notes
from tracelog.db import reading, writing
from tracelog.errors import TracelogError
from tracelog.plant.queries import directory, the_plant
from tracelog.stats.dome_numbers import Suggests

HERE = "/cases/dome-numbers"
FROM, TO = hour(48).isoformat(), hour(54).isoformat()
MADE = {"made_from": FROM, "made_to": TO}


@pytest.fixture
def furnished(own_engine: Engine, clock: Clock) -> Engine:
    """1-2 makes twice as many strokes as 1-1; 1-3 was never read."""
    with writing(own_engine) as session:
        write_plant(session)
        write_readings(session, 200)
    clock.instant = hour(200)
    return own_engine


@pytest.fixture
def operator(furnished: Engine, visit: Visit, cast: Cast) -> Visit:
    """An operator on that plant."""
    assert furnished is not None
    cast.sign_in(visit, "operator")
    visit.get(HERE)
    return visit


def checked(engine: Engine, **said: str) -> DomesAnswer:
    fact = DomesFact.read(MADE | said if "seen_at" not in said else said, ZONE)
    with reading(engine) as session:
        return check_domes(session, the_plant(session), directory(session), fact, hour(200))


def test_cans_are_weighed_by_the_strokes_in_the_time_of_making(furnished: Engine) -> None:
    answer = checked(furnished, codes="1-1x5")
    by_machine = {one.machine: one for one in answer.machines}
    assert {name: one.strokes for name, one in by_machine.items()} == {
        "1-1": 72_000,
        "1-2": 144_000,
        "1-3": 0,
    }
    assert by_machine["1-1"].share == pytest.approx(1 / 3)
    # Five of five from a machine of a third: as striking is nothing but that.
    assert answer.spread.by_chance == pytest.approx(1 / 3**5)
    assert answer.spread.suggests is Suggests.ONE_MACHINE
    busy = checked(furnished, codes="1-2x5")
    # As striking as five of five there are four or five of five from the other: 10 + 1 ways.
    assert busy.spread.by_chance == pytest.approx((2 / 3) ** 5 + 11 / 3**5)
    assert busy.spread.suggests is Suggests.NOTHING


def test_the_time_of_making_is_that_of_tracing(furnished: Engine) -> None:
    answer = checked(furnished, codes="1-1 1-2", seen_at=hour(100).isoformat())
    # The plant's way to the palletiser is 20 to 95 minutes.
    assert hour(100 - 95 / 60) <= answer.made_from < answer.made_to <= hour(100)
    longer = checked(
        furnished,
        codes="1-1 1-2",
        seen_from=hour(96).isoformat(),
        seen_at=hour(100).isoformat(),
    )
    assert longer.made_to == answer.made_to
    assert longer.made_from == answer.made_from - (hour(100) - hour(96))
    assert "the time found less the way to there" in answer.basis


def test_machines_of_every_line_that_the_codes_name_are_compared(furnished: Engine) -> None:
    assert {one.machine for one in checked(furnished, codes="1-1 2-1").machines} == {
        *("1-1", "1-2", "1-3", "2-1", "2-2"),
    }


def test_codes_with_unread_digits_are_left_out_and_said(furnished: Engine) -> None:
    answer = checked(furnished, codes="1-1 1-? 1-1 1-2")
    assert answer.spread.cans == 3
    assert "1 cans with a digit that nobody could read are left out: 1-?" in notes(answer)[0]
    with pytest.raises(TracelogError, match="no code that could be read whole"):
        checked(furnished, codes="1-? ?-1")


def test_a_number_that_was_lent_counts_for_the_machine_that_bore_it(furnished: Engine) -> None:
    with writing(furnished) as session:
        bear_code(session, "1-9", "1-2", 0, None)
        bear_code(session, "1-8", "1-1", 50, None)
    answer = checked(furnished, codes="1-9 1-9")
    assert [one.machine for one in answer.machines if one.cans] == ["1-2"]
    moved = checked(furnished, codes="1-8 1-8")
    assert "went to another machine in that time" in notes(moved)[0]


@pytest.mark.parametrize(
    ("codes", "sentence"),
    [
        ("1-77", "no bodymaker of line 1 bore the number of 1-77 then; they are 1, 2, 3"),
        ("7-1", "there is no line 7"),
        ("1-3", "no stroke of 1-3 is known"),
        ("", "is missing"),
        ("x", "is not a dome code"),
    ],
)
def test_what_cannot_be_is_told_at_the_codes(operator: Visit, codes: str, sentence: str) -> None:
    answer = operator.get(f"{HERE}?codes={codes}&made_from={FROM[:16]}Z&made_to={TO[:16]}Z")
    if not codes:
        assert answer.status_code == 200
        return
    assert answer.status_code in (400, 404, 409, 422)
    assert sentence in wrong(answer)["codes"]
    assert sentence in summary(answer)


def test_a_time_that_lies_ahead_is_told(operator: Visit) -> None:
    answer = operator.get(f"{HERE}?codes=1-1&seen_at=2027-01-01T00:00Z")
    assert "lies ahead" in wrong(answer)["seen_at"]


def test_without_any_strokes_all_machines_are_alike(furnished: Engine) -> None:
    fact = {"made_from": hour(-48).isoformat(), "made_to": hour(-40).isoformat()}
    answer = checked(furnished, codes="1-1 1-1 1-3", **fact)
    assert not answer.is_weighed
    assert {round(one.share, 3) for one in answer.machines} == {0.333}
    assert "taken to run alike" in notes(answer)[0]


def test_the_page_says_it_in_a_sentence_and_lets_cans_be_tapped(operator: Visit) -> None:
    found = operator.get(f"{HERE}?codes=1-1x5&made_from={FROM[:16]}Z&made_to={TO[:16]}Z")
    page = seen(found.text)
    assert "Suggests one machine: 5 of 5 from 1-1" in page
    assert "0.41" in page
    assert "associations found in the records, not proof" in page
    assert "144,000" in page
    tapped = operator.get(f"{HERE}?codes=1-1&tap=1-2")
    assert 'value="1-1 1-2"' in tapped.text
    back = operator.get(f"{HERE}?codes=1-1+1-2&tap=back")
    assert 'value="1-1"' in back.text
    assert form_on(found.text, HERE) == {}


def test_the_machines_are_saved_as_files(operator: Visit) -> None:
    rows = operator.get(f"{HERE}.csv?codes=1-1x5&made_from={FROM[:16]}Z&made_to={TO[:16]}Z")
    lines = rows.text.splitlines()
    assert lines[0] == "machine,code,cans,strokes,share,expected"
    assert lines[1].startswith("1-1,1-1,5,72000,")
    assert operator.get(f"{HERE}.pdf?codes=1-1").status_code == 404


def test_the_command_and_the_call_say_what_the_page_says(
    furnished: Engine, command: Command, visit: Visit, cast: Cast
) -> None:
    assert furnished is not None
    words = ("domes", "1-1x3", "1-1", "1-1", "--made-from", FROM, "--made-to", TO)
    told = json.loads(command(*words, "--as-of", hour(200).isoformat(), "--json").stdout)
    assert told["suggests"] == "one machine"
    assert told["by_chance"] == pytest.approx(1 / 3**5)
    shown = command(*words, "--as-of", hour(200).isoformat()).stdout
    assert "Suggests one machine: 5 of 5 from 1-1" in " ".join(shown.split())
    refused = command("domes", "1-77", "--as-of", hour(200).isoformat(), status=1)
    assert "no bodymaker of line 1 bore the number of 1-77" in refused.stderr
    cast.sign_in(visit, "operator")
    path = f"/api/v1/dome-numbers?codes=1-1x5&made_from={FROM[:16]}Z&made_to={TO[:16]}Z"
    answer = visit.get(path)
    assert answer.status_code == 200
    assert answer.json is not None
    assert answer.json["sentence"] == told["sentence"]
