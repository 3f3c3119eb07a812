"""The application as other tests visit it."""

import json
import urllib.request
from datetime import timedelta

import pytest

from tests.support.clock import Clock
from tests.support.site import CAST, Cast, Visit
from tracelog.people.permissions import ROLES


def test_the_cast_has_one_person_of_each_role() -> None:
    assert tuple(CAST) == ROLES


def test_the_served_application_answers(site_url: str) -> None:
    with urllib.request.urlopen(f"{site_url}/api/v1/health/ready") as answer:
        assert json.load(answer) == {"status": "ready", "last_backup": None, "replica": None}


@pytest.mark.parametrize("role", ROLES)
def test_everybody_of_the_cast_can_sign_in(visit: Visit, cast: Cast, role: str) -> None:
    person = cast.sign_in(visit, role)
    page = visit.get("/me")
    assert page.status_code == 200
    assert person.name.title() in page.text


def test_time_passes_as_the_test_says(visit: Visit, cast: Cast, clock: Clock) -> None:
    cast.sign_in(visit, "planner")
    assert visit.get("/me").status_code == 200
    clock.forward(timedelta(days=2))
    assert visit.get("/me").status_code == 302
