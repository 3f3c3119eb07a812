"""The Log is light: little to load, at once, and no chart library."""

import pytest
from playwright.sync_api import Browser

from tests.bench.weights import Weight, weigh
from tests.support.browser import Visitors
from tests.support.site import Cast
from tracelog.web.assets import PLOTLY

pytestmark = [
    pytest.mark.small_plant,
    pytest.mark.parametrize("database_kind", ["sqlite"], indirect=True),
]
MOST_BYTES = 60_000


@pytest.fixture
def log(cast: Cast, visitors: Visitors, browser: Browser, site_url: str) -> Weight:
    """The Log as an operator's browser loads it for the first time."""
    page = visitors.open(base_url=site_url)
    cast.sign_in_on(page, "operator")
    return weigh(browser, site_url, page.context.cookies(), "Log", "/log")


def test_all_that_the_log_loads_is_small(log: Weight) -> None:
    assert len(log.files) > 10
    assert all(log.files.values())
    assert log.total < MOST_BYTES


def test_the_log_is_there_after_one_round_of_requests(log: Weight) -> None:
    assert log.later == set()


def test_the_log_loads_no_chart_library(log: Weight) -> None:
    assert not [address for address in log.files if PLOTLY in address]
