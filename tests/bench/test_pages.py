"""The bench looks at every page and every answer that there is."""

from pathlib import Path

import pytest
from sqlalchemy import Engine

from tests.bench.not_timed import NOT_TIMED
from tests.bench.pages import body_of, visitor
from tests.support.crawl import endpoint_of

pytestmark = [
    pytest.mark.small_plant,
    pytest.mark.parametrize("database_kind", ["sqlite"], indirect=True),
]


@pytest.mark.usefixtures("clock")
def test_every_page_is_timed_and_answers(own_engine: Engine, tmp_path: Path) -> None:
    visit, addresses = visitor(own_engine, tmp_path)
    for address in addresses.values():
        assert body_of(visit, address), address
    app = visit.client.application
    timed = {endpoint_of(app, address) for address in addresses.values()}
    there = {rule.endpoint for rule in app.url_map.iter_rules() if "GET" in (rule.methods or ())}
    assert timed | {*NOT_TIMED} == there
    assert not timed & {*NOT_TIMED}


def test_an_error_page_is_not_timed(own_engine: Engine, tmp_path: Path) -> None:
    visit, _addresses = visitor(own_engine, tmp_path)
    with pytest.raises(LookupError, match="404"):
        body_of(visit, "/nowhere")
