"""The Sequence check pages, API and command: tapping, keeping, earlier checks, who may."""

import json
import uuid
from collections.abc import Mapping
from typing import Any

import pytest
from sqlalchemy import Engine, func, select

from tests.cases.sequence.small_rows import every, write_line
from tests.defects.small_plant import WRITTEN_AT
from tests.support.clock import Clock
from tests.support.command import Command
from tests.support.markup import form_on, seen, summary, wrong
from tests.support.site import Cast, Visit
from tracelog.audit import AuditRecord, broken_links
from tracelog.cases.models import SequenceCheck
from tracelog.cases.sequence.queries import CheckFilter, sequence_checks
from tracelog.db import new_id, reading, writing

HERE = "/cases/sequence"
ROW: Mapping[str, Any] = {
    "line": "1",
    "taken_after": "light-tester",
    "defect": "split",
    "taken_at": "2026-03-04T10:00",
    "cans": every(12, 48, 3),
}


@pytest.fixture
def operator(visit: Visit, cast: Cast, own_engine: Engine, clock: Clock) -> Visit:
    """An operator on the small plant with the counts of its line 1."""
    with writing(own_engine) as session:
        write_line(session)
    clock.instant = WRITTEN_AT
    cast.sign_in(visit, "operator")
    visit.get(HERE)
    return visit


def kept(engine: Engine) -> int:
    with reading(engine) as session:
        return session.execute(select(func.count()).select_from(SequenceCheck)).scalar_one()


def test_cans_are_tapped_one_by_one_without_scripts(operator: Visit, own_engine: Engine) -> None:
    cans = ""
    for tapped in ["g", "b", "?", "g", "back"]:
        answer = operator.post(HERE, **ROW | {"cans": cans, "tap": tapped})
        assert answer.status_code == 200
        form = form_on(answer.text, HERE)
        cans = form["cans"]
        assert (form["line"], form["defect"]) == ("1", "split")
    assert cans == "gb?"
    assert "3 cans, 1 bad" in seen(answer.text)
    assert kept(own_engine) == 0


def test_a_row_is_kept_and_its_page_says_what_it_suggests(
    operator: Visit, own_engine: Engine
) -> None:
    key = str(new_id())
    answer = operator.post(HERE, **ROW | {"id": key, "do": "keep", "note": "first turret"})
    assert (answer.status_code, answer.location) == (303, f"{HERE}/{key}")
    page = seen(operator.get(answer.location).text)
    assert "Suggests a repeat every 12 cans" in page
    assert "take 24 cans in order, two full turns, between necker and flanger" in page
    assert "associations found in the records, not proof" in page
    assert "first turret" in page
    with reading(own_engine) as session:
        (one,) = sequence_checks(session, CheckFilter(1), WRITTEN_AT)
        assert (one.defect, one.cans, one.by) == ("split", ROW["cans"], "olga")
        record = session.execute(
            select(AuditRecord).order_by(AuditRecord.sequence.desc()).limit(1)
        ).scalar_one()
        assert record.action == "keep sequence check"
        assert json.loads(record.after or "{}")["cans"] == ROW["cans"]
        assert not broken_links(session)
    # Sent twice, kept once; something else under the same id is refused.
    assert operator.post(HERE, **ROW | {"id": key, "do": "keep", "note": "first turret"})
    assert kept(own_engine) == 1
    other = operator.post(HERE, **ROW | {"id": key, "do": "keep", "cans": "gggb"})
    assert other.status_code == 409


def test_only_showing_keeps_nothing(operator: Visit, own_engine: Engine) -> None:
    answer = operator.post(HERE, **ROW | {"do": "show"})
    assert answer.status_code == 303
    page = operator.get(answer.location)
    assert "Suggests a repeat every 12 cans" in seen(page.text)
    assert "csrf" not in answer.location
    assert kept(own_engine) == 0


@pytest.mark.parametrize(
    ("field", "text", "told_at", "sentence"),
    [
        ("cans", "ggx", "cans", "write a letter for each"),
        ("cans", "", "cans", "is missing"),
        ("line", "7", "line", "there is no line 7"),
        ("defect", "spilt", "defect", "is not a defect of this plant"),
        ("taken_after", "", "taken_after", "is missing"),
        ("taken_at", "2027-01-01T10:00", "taken_at", "lies ahead"),
        ("taken", "9", "taken", "is given beside the letters"),
        ("note", "x" * 4001, "note", "at most 4000 are kept"),
        ("id", "17", None, "is not a UUID"),
    ],
)
def test_what_is_wrong_is_told_at_its_field_and_nothing_is_kept(
    operator: Visit, own_engine: Engine, field: str, text: str, told_at: str | None, sentence: str
) -> None:
    answer = operator.post(HERE, **ROW | {"do": "keep", field: text})
    assert answer.status_code in (400, 404, 409, 422)
    assert sentence in summary(answer)
    if told_at is not None:
        assert sentence in wrong(answer)[told_at]
    assert kept(own_engine) == 0


def test_earlier_checks_are_listed_by_line_and_saved_as_files(operator: Visit) -> None:
    for line, at in (("1", "09:00"), ("1", "10:00"), ("2", "08:00")):
        said = {"line": line, "taken_at": f"2026-03-04T{at}", "id": str(new_id()), "do": "keep"}
        assert operator.post(HERE, **ROW | said).status_code == 303
    assert operator.get(f"{HERE}?line=1").text.count(f'href="{HERE}/0') == 2
    rows = operator.get(f"{HERE}.csv?line=1").text.splitlines()
    assert rows[0].startswith("check,line,defect,taken_after,taken_at,cans")
    assert [row.split(",")[1] for row in rows[1:]] == ["1", "1"]
    assert "10:00:00" in rows[1]
    assert len(operator.get(f"{HERE}.csv").text.splitlines()) == 4
    assert operator.get(f"{HERE}.pdf").status_code == 404


def test_the_row_is_laid_in_the_turns_that_are_asked_for(operator: Visit) -> None:
    asked = f"{HERE}?line=1&taken_after=necker&cans={ROW['cans']}"
    assert "in turns of 12" in operator.get(asked).text
    assert "in turns of 16" in operator.get(asked + "&rows=16").text
    wrong_rows = operator.get(asked + "&rows=many")
    assert wrong_rows.status_code in (400, 422)
    assert "must be from 1 to 240" in seen(wrong_rows.text)


def test_a_line_without_counts_is_told_to_enter_them(operator: Visit) -> None:
    page = operator.get(f"{HERE}?line=2&taken_after=necker&cans={ROW['cans']}")
    assert "No count that could show behind this station is entered" in seen(page.text)


def test_a_check_that_is_not_there_is_not_found(operator: Visit) -> None:
    assert operator.get(f"{HERE}/{uuid.uuid4()}").status_code == 404


def test_the_command_says_what_the_page_says(command: Command, own_engine: Engine) -> None:
    with writing(own_engine) as session:
        write_line(session)
    words = ("sequence", ROW["cans"], "--line", "1", "--after", "light-tester")
    answer = json.loads(command(*words, "--json").stdout)
    assert answer["sentence"].startswith("Suggests a repeat every 12 cans")
    assert answer["repeats"][0]["places"] == [4]
    assert answer["next"]["kind"] == "between"
    told = command(*words).stdout
    assert "Suggests a repeat every 12 cans" in told
    assert "between necker and flanger" in " ".join(told.split())
    positions = command(
        *("sequence", "--line", "1", "--after", "light-tester"),
        *("--taken", "48", "--bad", "4,16,28,40", "--json"),
    )
    assert json.loads(positions.stdout) == answer
    refused = command("sequence", "ggx", "--line", "1", "--after", "necker", status=1)
    assert "write a letter for each" in refused.stderr
