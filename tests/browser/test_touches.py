"""How many touches and keys an entry takes, as the guide of the floor says; never how long."""

import pytest
from playwright.sync_api import Page

from tests.bench.touches import ENTRIES, log_once, told_in
from tests.support.browser import Visitors
from tests.support.site import Cast
from tests.support.tree import ROOT

pytestmark = [
    pytest.mark.small_plant,
    pytest.mark.parametrize("database_kind", ["sqlite"], indirect=True),
]
MOST_TOUCHES = 4
# The camera's own touches, to take the picture and to use it, come on top.
CAMERA = 2


@pytest.fixture
def log(cast: Cast, visitors: Visitors, site_url: str) -> Page:
    """The Log on a phone, an operator signed in."""
    page = visitors.open(360, 740, base_url=site_url, has_touch=True, is_mobile=True)
    cast.sign_in_on(page, "operator")
    return page


def test_every_typical_entry_takes_what_the_guide_says(log: Page) -> None:
    guide = told_in((ROOT / "docs" / "logging.md").read_text(encoding="utf-8"))
    assert len(ENTRIES) == 10
    for name in ENTRIES:
        took = log_once(log, name)
        assert guide[name] == (took.touches, took.keys, took.scans), name
        assert took.touches - CAMERA * took.pictures <= MOST_TOUCHES, name
