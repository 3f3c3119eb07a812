"""Fixtures of the tests without network: a plant, its people, a tablet, a network to cut."""

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from playwright.sync_api import Browser
from sqlalchemy import Engine

from tests.browser.tablet import Tablet, TabletSite
from tests.defects.small_plant import write_plant
from tests.support.cut_network import cuttable_network
from tests.support.killable_browser import KillableBrowser
from tests.support.site import Cast
from tracelog.db import writing


@pytest.fixture
def tablet_site(cast: Cast, own_engine: Engine, site_url: str) -> Iterator[TabletSite]:
    """The site; its network is up."""
    with writing(own_engine) as session:
        write_plant(session)
    for role in ("operator", "supervisor"):
        cast.join(role)
    with cuttable_network(site_url) as network:
        yield TabletSite(own_engine, network)


@pytest.fixture
def tablet(tablet_site: TabletSite, browser: Browser) -> Iterator[Tablet]:
    """A tablet on which Olga has the Log open, ready for times without network.

    Its worker does not send by itself; that of `syncing_tablet` does.
    """
    with _tablet(tablet_site, browser, background_sync=False) as tablet:
        yield tablet


@pytest.fixture
def syncing_tablet(tablet_site: TabletSite, browser: Browser) -> Iterator[Tablet]:
    """The same, whose worker sends what waits also when no page of ours is open."""
    with _tablet(tablet_site, browser, background_sync=True) as tablet:
        yield tablet


@contextmanager
def _tablet(site: TabletSite, browser: Browser, *, background_sync: bool) -> Iterator[Tablet]:
    context = browser.new_context(viewport={"width": 1024, "height": 900}, locale="en-GB")
    tablet = Tablet(context, site.network, background_sync=background_sync)
    tablet.sign_in("operator")
    tablet.go()
    tablet.wait_for_worker()
    yield tablet
    context.close()


@pytest.fixture
def mortal(
    tablet_site: TabletSite, browser: Browser, tmp_path: Path
) -> Iterator[tuple[KillableBrowser, Tablet]]:
    """The same on a browser that can be killed; each start goes on where the profile stands."""
    own = KillableBrowser(browser.browser_type, tmp_path / "profile")
    try:
        tablet = Tablet(own.start(), tablet_site.network)
        tablet.sign_in("operator")
        tablet.go()
        tablet.wait_for_worker()
        yield own, tablet
    finally:
        own.kill()
