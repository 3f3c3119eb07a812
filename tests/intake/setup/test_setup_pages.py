"""An administrator without any file sets up a plant, page by page."""

import re
from datetime import datetime, time
from html import unescape
from pathlib import Path

import pytest
from flask import Flask
from sqlalchemy import Engine, func, select

from tests.support.markup import form_on, wrong
from tests.support.site import Cast, Visit
from tracelog.audit import AuditRecord
from tracelog.db import reading
from tracelog.defects.models import DefectType
from tracelog.intake.folder_export import export_folder
from tracelog.people.models import Account
from tracelog.plant.queries import directory, the_plant
from tracelog.service.models import ServiceLevel

ALDER = {"name": "Alder Point", "time_zone": "Europe/Madrid", "shortest": "20", "longest": "95"}


def send(visit: Visit, path: str, **fields: object) -> str:
    """Fill in the form of a page and send it; what is on the page already is sent with it."""
    shown = form_on(visit.get(path).text, path)
    answer = visit.post(path, **{**shown, **fields})
    assert answer.status_code in {200, 303}, wrong(answer) or answer.text
    return answer.text


@pytest.fixture
def administrator(visit: Visit, cast: Cast) -> Visit:
    cast.sign_in(visit, "administrator")
    return visit


@pytest.fixture
def plant(administrator: Visit) -> Visit:
    send(administrator, "/setup/plant", **ALDER)
    return administrator


@pytest.fixture
def lines(plant: Visit) -> Visit:
    send(plant, "/setup/lines", lines="1-3")
    return plant


def actions(engine: Engine) -> list[str]:
    with reading(engine) as session:
        rows = session.execute(select(AuditRecord.action).order_by(AuditRecord.sequence))
        return [action for action in rows.scalars() if action != "sign in"]


def test_without_a_plant_an_administrator_is_led_to_the_set_up(administrator: Visit) -> None:
    answer = administrator.get("/")
    assert (answer.status_code, answer.location) == (303, "/setup")


def test_without_a_plant_others_are_told_whom_to_ask(visit: Visit, cast: Cast) -> None:
    cast.join("administrator")
    cast.sign_in(visit, "operator")
    answer = visit.get("/")
    assert answer.status_code == 409
    assert "An administrator does that; ask Ada." in answer.text


@pytest.mark.parametrize("role", ["operator", "planner", "supervisor", "quality"])
def test_only_administrators_set_up_a_plant(visit: Visit, cast: Cast, role: str) -> None:
    cast.sign_in(visit, role)
    for path in ("", "/plant", "/lines", "/machines", "/shifts", "/service-levels", "/people"):
        assert visit.get(f"/setup{path}").status_code == 403


def test_the_first_page_says_what_is_needed_first(administrator: Visit) -> None:
    page = administrator.get("/setup").text
    assert page.count('<span class="tag is-urgent">needed first') == 3
    assert "Next: Plant" in page


def test_a_plant_is_kept_with_the_built_in_kinds_of_defect(
    plant: Visit, own_engine: Engine
) -> None:
    with reading(own_engine) as session:
        view = the_plant(session)
        kinds = session.execute(select(func.count()).select_from(DefectType)).scalar_one()
    assert (view.name, view.zone.key, view.transit_minutes) == (
        "Alder Point",
        "Europe/Madrid",
        (20, 95),
    )
    assert kinds > 20
    assert actions(own_engine)[-2:] == ["record plant", "record defect types"]


@pytest.mark.parametrize(
    ("fields", "field", "sentence"),
    [
        ({"name": ""}, "name", "is missing"),
        ({"time_zone": "Spain"}, "time_zone", "not an IANA time zone"),
        ({"longest": ""}, "shortest", "only half of it"),
        ({"longest": "10"}, "shortest", "longest before the shortest"),
    ],
)
def test_what_is_wrong_with_a_plant_is_told_at_its_field(
    administrator: Visit, own_engine: Engine, fields: dict[str, str], field: str, sentence: str
) -> None:
    shown = form_on(administrator.get("/setup/plant").text, "/setup/plant")
    answer = administrator.post("/setup/plant", **{**shown, **ALDER, **fields})
    assert answer.status_code >= 400
    assert sentence in wrong(answer)[field]
    assert "record plant" not in actions(own_engine)


def test_a_plants_zone_may_change_and_its_name_stays(plant: Visit, own_engine: Engine) -> None:
    send(plant, "/setup/plant", time_zone="Europe/Lisbon", name="Birch Point")
    with reading(own_engine) as session:
        assert the_plant(session).zone.key == "Europe/Lisbon"
        assert the_plant(session).name == "Alder Point"


def test_the_later_of_two_is_told(plant: Visit, own_engine: Engine) -> None:
    shown = form_on(plant.get("/setup/plant").text, "/setup/plant")
    send(plant, "/setup/plant", longest="120")
    before = actions(own_engine)
    answer = plant.post("/setup/plant", **{**shown, "shortest": "15"})
    assert answer.status_code == 409
    assert "somebody has changed this since the page was opened" in answer.text
    assert actions(own_engine) == before


def test_several_lines_are_added_at_once_and_renamed_later(
    lines: Visit, own_engine: Engine
) -> None:
    send(lines, "/setup/lines", **{"name-2": "North line", "lines": "7"})
    with reading(own_engine) as session:
        known = directory(session)
    assert sorted(known.lines) == [1, 2, 3, 7]
    assert known.line_names[2] == "North line"


def test_a_line_that_is_there_is_not_added_again(lines: Visit) -> None:
    shown = form_on(lines.get("/setup/lines").text, "/setup/lines")
    answer = lines.post("/setup/lines", **{**shown, "lines": "3-4"})
    assert "has line 3, which is there already" in wrong(answer)["lines"]


def test_lines_of_two_people_at_once_are_told(lines: Visit) -> None:
    shown = form_on(lines.get("/setup/lines").text, "/setup/lines")
    send(lines, "/setup/lines", lines="4")
    assert lines.post("/setup/lines", **{**shown, "lines": "4"}).status_code == 409


def test_machines_of_several_lines_are_added_at_once(lines: Visit, own_engine: Engine) -> None:
    machines = {
        "numbers-0": "1-8",
        "rated_spm-0": "320",
        "counter_max-0": "99999999",
        "numbers-1": "1, 2",
        "rated_spm-1": "310.5",
    }
    send(lines, "/setup/machines", **machines)
    with reading(own_engine) as session:
        found = directory(session).bodymakers
    assert [one.text for one in found] == [f"1-{number}" for number in range(1, 9)] + ["2-1", "2-2"]
    assert (found[0].rated_spm, found[0].counter_max) == (320, 99_999_999)
    assert found[-1].rated_spm == 310.5
    assert actions(own_engine)[-1] == "record machines"
    assert "no bodymakers yet on line 3" in lines.get("/setup").text


def test_a_bad_row_of_machines_keeps_the_others_out(lines: Visit, own_engine: Engine) -> None:
    shown = form_on(lines.get("/setup/machines").text, "/setup/machines")
    answer = lines.post(
        "/setup/machines", **{**shown, "numbers-0": "1-8", "numbers-1": "x", "rated_spm-2": "3"}
    )
    assert set(wrong(answer)) == {"numbers-1", "numbers-2"}
    with reading(own_engine) as session:
        assert not directory(session).machines


def test_a_machine_may_be_named_and_keeps_its_number(lines: Visit, own_engine: Engine) -> None:
    send(lines, "/setup/machines", **{"numbers-0": "1"})
    send(lines, "/setup/machines/1/bodymaker/1", name="Old one", rated_spm="300")
    with reading(own_engine) as session:
        (machine,) = directory(session).bodymakers
    assert (machine.name, machine.rated_spm, machine.number) == ("Old one", 300, 1)
    assert lines.get("/setup/machines/1/bodymaker/9").status_code == 404


def test_a_pattern_fills_in_shifts_and_crews(plant: Visit, own_engine: Engine) -> None:
    path = "/setup/shifts"
    shown = form_on(plant.get(path + "?pattern=12h-2-2-3").text, path)
    looked = plant.post(path, **{**shown, "do": "look"})
    assert looked.status_code == 200
    assert "not kept yet" in looked.text
    assert actions(own_engine)[-2] == "record plant"
    assert plant.post(path, **{**shown, "do": "keep"}).status_code == 303
    with reading(own_engine) as session:
        rota = the_plant(session).rota
    assert [shift.label for shift in rota.shifts] == ["day", "night"]
    assert len(rota.crews) == 14
    assert rota.crews[0] == {0: "A", 1: "C"}


def test_the_fortnight_is_what_pages_tell_later(plant: Visit, own_engine: Engine) -> None:
    path = "/setup/shifts"
    shown = form_on(plant.get(path + "?pattern=8h-2-2-2").text, path)
    looked = plant.post(path, **{**shown, "do": "look"}).text
    table = looked[looked.index("not kept yet") :]
    rows = re.findall(r'class="close">([0-9-]{10})</th><td>(.*?)</td>', table)
    assert len(rows) == 14
    plant.post(path, **{**shown, "do": "keep"})
    with reading(own_engine) as session:
        view = the_plant(session)
    for day, told in rows:
        noon = datetime.combine(datetime.fromisoformat(day).date(), time(12), view.zone)
        shift = view.shift_at(noon)
        assert shift is not None
        assert f"{shift.shift}: <b>{shift.crew}</b>" in unescape(told)


def test_a_cycle_with_a_gap_is_told(plant: Visit) -> None:
    path = "/setup/shifts"
    shown = form_on(plant.get(path + "?pattern=12h-weeks").text, path)
    answer = plant.post(path, **{**shown, "crew-3-1": "", "name-1": "day", "do": "keep"})
    assert set(wrong(answer)) == {"crew-3-1", "name-1"}


def test_usual_levels_are_offered_and_kept_as_they_are_changed(
    plant: Visit, own_engine: Engine
) -> None:
    path = "/setup/service-levels"
    shown = form_on(plant.get(path).text, path)
    assert shown["service-0"]
    assert not [name for name in actions(own_engine) if "service levels" in name]
    send(plant, path, **{"interval_strokes-1": "5000000"})
    with reading(own_engine) as session:
        kept = dict(
            session.execute(select(ServiceLevel.service, ServiceLevel.interval_strokes)).all()
        )
    assert kept[shown["service-1"]] == 5_000_000
    again = form_on(plant.get(path).text, path)
    assert "5000000" in again.values()


def test_a_level_without_an_interval_is_told(plant: Visit) -> None:
    path = "/setup/service-levels"
    shown = form_on(plant.get(path).text, path)
    answer = plant.post(path, **{**shown, "interval_strokes-0": "", "interval_days-0": ""})
    assert "give strokes, days, or both" in wrong(answer)["interval_strokes-0"]


def test_people_get_secrets_that_are_shown_once_and_open_the_door(
    plant: Visit, application: Flask
) -> None:
    page = send(
        plant,
        "/setup/people",
        **{"name-0": "rosa", "name-1": "igor", "role-1": "supervisor", "display_name-1": "Igor"},
    )
    secrets = dict(
        re.findall(r'<th scope="row">(\w+)</th><td>\w+</td><td><code class="secret">([^<]+)<', page)
    )
    assert set(secrets) == {"rosa", "igor"}
    assert re.fullmatch("[0-9]{6}", secrets["rosa"])
    assert secrets["igor"] not in plant.get("/setup/people").text
    for name, secret in secrets.items():
        other = Visit(application.test_client())
        other.get("/sign-in")
        assert other.post("/sign-in", name=name, secret=secret).status_code == 303


def test_a_bad_name_among_people_makes_no_account(plant: Visit, own_engine: Engine) -> None:
    shown = form_on(plant.get("/setup/people").text, "/setup/people")
    answer = plant.post("/setup/people", **{**shown, "name-0": "rosa", "name-1": "two words"})
    assert answer.status_code == 422
    assert set(wrong(answer)) == {"name-1"}
    with reading(own_engine) as session:
        assert session.execute(select(Account.name)).scalars().all() == ["ada"]


def test_what_was_set_up_is_exported_and_imported_like_any_plant(
    lines: Visit, own_engine: Engine, tmp_path: Path
) -> None:
    send(lines, "/setup/machines", **{"numbers-0": "1-2"})
    rows = export_folder(own_engine, tmp_path / "out")
    assert (rows["lines.csv"], rows["machines.csv"]) == (3, 2)
