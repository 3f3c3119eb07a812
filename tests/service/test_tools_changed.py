"""After a service the tools that were changed with it are asked for, all at once."""

from sqlalchemy import Engine

from tests.service.recording import AT, SERVICE, fits, send, wrong
from tests.support.site import Visit


def test_after_a_service_the_changed_tools_are_asked_for_and_kept_together(
    planner: Visit, own_engine: Engine
) -> None:
    answer = send(planner, SERVICE)
    page = planner.get(answer.headers["Location"]).text
    assert "Which tools were changed in 1-1?" in page
    assert "stop, isolate, lock" in page.lower()
    told = {"machine": "1-1", "at": AT, "position-0": "ring-3", "serial-0": "B"}
    kept = planner.post("/service/record/tools", **told, **{"removal_reason-0": "worn"})
    assert kept.headers["Location"] == "/machines/1/bodymaker/1"
    assert [row[0] for row in fits(own_engine)].count("B") == 1


def test_a_wrong_tool_is_told_at_its_row_and_no_other_is_kept(
    planner: Visit, own_engine: Engine
) -> None:
    send(planner, SERVICE)
    before = fits(own_engine)
    told = {"machine": "1-1", "at": AT, "position-0": "ring-3", "serial-0": "B"}
    both = told | {"serial-0": "nobody", "position-1": "ring-1", "serial-1": "B"}
    answer = planner.post("/service/record/tools", **both)
    assert answer.status_code >= 400
    assert "serial-0" in wrong(answer.text)
    assert fits(own_engine) == before


def test_nothing_told_changes_nothing(planner: Visit, own_engine: Engine) -> None:
    before = fits(own_engine)
    answer = planner.post("/service/record/tools", machine="1-1", at=AT)
    assert answer.status_code == 303
    assert fits(own_engine) == before
