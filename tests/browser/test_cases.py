"""A case in a browser: which cause a check confirmed is written down with one tap."""

import uuid
from datetime import timedelta
from zoneinfo import ZoneInfo

import pytest
from playwright.sync_api import expect
from sqlalchemy import Engine

from tests.support.accessibility import obstacles
from tests.support.browser import Visitors
from tests.support.clock import Clock
from tests.support.plants import ENDS_AT
from tests.support.site import CAST, Cast
from tracelog.cases.actions import open_case
from tracelog.cases.facts import CaseFact
from tracelog.cases.queries import cases
from tracelog.db import new_id, reading, writing
from tracelog.defects.queries import vocabulary
from tracelog.reference import DefectType, defect_type

pytestmark = [
    pytest.mark.small_plant,
    pytest.mark.parametrize("database_kind", ["sqlite"], indirect=True),
]


def opened(engine: Engine) -> tuple[uuid.UUID, DefectType]:
    """A case of the first of the plant's defects whose causes the vocabulary knows."""
    case_id = new_id()
    with writing(engine) as session:
        known = next(filter(None, (defect_type(one.defect) for one in vocabulary(session))))
        said = {
            "id": str(case_id),
            "title": "every tenth can",
            "defect": known.defect,
            "place": "1-1",
            "since_at": (ENDS_AT - timedelta(days=5)).isoformat(),
        }
        open_case(
            session, CaseFact.read(said, ZoneInfo("UTC")), CAST["supervisor"].actor(), ENDS_AT
        )
    return case_id, known


@pytest.mark.parametrize(
    ("width", "look", "scripts"), [(360, "dark", False), (1024, "light", True)]
)
def test_a_cause_is_confirmed_with_one_tap(
    visitors: Visitors,
    cast: Cast,
    site_url: str,
    own_engine: Engine,
    clock: Clock,
    width: int,
    look: str,
    scripts: bool,
) -> None:
    clock.instant = ENDS_AT
    case_id, known = opened(own_engine)
    cause = known.causes[1].cause
    page = visitors.open(
        width, 800, base_url=site_url, color_scheme=look, java_script_enabled=scripts
    )
    cast.sign_in_on(page, "supervisor")
    page.goto(f"/cases/{case_id}")
    # Where scripts do not run, neither does what looks for obstacles.
    assert not scripts or obstacles(page) == []
    button = page.get_by_role("button", name=f"Confirm: {cause}")
    box = button.bounding_box()
    assert box is not None
    assert box["x"] + box["width"] <= width
    assert box["height"] >= 48
    button.click()
    expect(page.get_by_role("row", name=cause).get_by_text("confirmed", exact=True)).to_be_visible()
    with reading(own_engine) as session:
        assert [one.confirmed for one in cases(session)] == [[cause]]
