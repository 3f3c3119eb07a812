"""Two hundred random sequences of cuts, kills and people: what was told is kept once."""

import random
from collections.abc import Callable
from dataclasses import dataclass, field

import pytest
from playwright.sync_api import Error as BrowserError
from playwright.sync_api import Page

from tests.browser.tablet import Tablet, TabletSite, kept_rows
from tests.support.cut_network import Network
from tests.support.killable_browser import KillableBrowser

pytestmark = pytest.mark.parametrize("database_kind", ["sqlite"], indirect=True)
SEED = 20261127
SEQUENCES = 200
STEPS = (2, 5)
# Starting a browser takes long, so that few sequences have a kill; the others close pages.
KILLED_EVERY = 25
NAMES = {"operator": "Olga", "supervisor": "Sara"}


# A page that goes on to the next one forgets it.
MARKS = "(cans) => { window.tapped = cans; }"
MARKED = "() => window.tapped ?? null"


@dataclass
class Walk:
    """One tablet in the hands of two people, and what they were told.

    Attributes:
        on: whose Log is on the screen; None: nobody's.
        tapped: by number of cans, by whom the entry was tapped or typed.
    """

    browser: KillableBrowser
    tablet: Tablet
    chance: random.Random
    on: str | None = "operator"
    tapped: dict[int, str] = field(default_factory=dict)

    def log(self, *, waits: bool = True) -> None:
        """Tap or type an entry; wait until the operator is told, or not."""
        if self.on is None:
            return
        cans = len(self.tapped) + 1
        self.tapped[cans] = self.on

        def act() -> None:
            if self.chance.random() < 0.5:
                self.tablet.tap(cans)
            else:
                self.tablet.type(f"1-1 split {cans}")

        try:
            self.tablet.page.evaluate(MARKS, cans)
            act()
        except BrowserError:
            # The page went on to the next one under the finger; nothing was told.
            self.tablet.page.wait_for_load_state()
            return
        if waits:
            self.tablet.wait_until(
                lambda: self.tablet.is_told(cans) or self.went_on(self.tablet.page, cans)
            )

    def went_on(self, page: Page, cans: int) -> bool:
        """Whether the page went on to the next one before it told anything."""
        return bool(self.tablet.steadily(lambda: page.evaluate(MARKED)) != cans)

    def log_in_passing(self) -> None:
        """Tap, and do not wait for what is told."""
        self.log(waits=False)

    def cut(self) -> None:
        """The network is gone."""
        self.tablet.network.cut()

    def mend(self) -> None:
        """The network is back."""
        self.tablet.network.mend()

    def lose_answers(self) -> None:
        """The server gets entries; its answers are lost."""
        self.tablet.network.lose_answers()

    def reload(self) -> None:
        """Load the page again, with or without network."""
        self.tablet.go()

    def close_page(self) -> None:
        """Close the page at once, and open another one."""
        self.tablet.page.close()
        self.tablet.page = self.tablet.context.new_page()
        self.tablet.go()

    def send(self) -> None:
        """Try to send now."""
        self.tablet.send()

    def second_page(self) -> None:
        """Log on a second page of the same tablet, then close it."""
        if self.on is None:
            return
        cans = len(self.tapped) + 1
        other = self.tablet.context.new_page()
        other.goto(self.tablet.address("/log"))
        if other.locator("form.pad").count():
            self.tapped[cans] = self.on
            other.evaluate(MARKS, cans)
            self.tablet.tap(cans, other)
            self.tablet.wait_until(lambda: self.tablet.is_told(cans) or self.went_on(other, cans))
        other.close()

    def expire(self) -> None:
        """The session is over; the page does not know yet."""
        self.tablet.sign_out()

    def sign_in(self, role: str | None = None) -> None:
        """Somebody signs in and opens the Log, if there is a network."""
        if self.tablet.network.state is Network.DOWN:
            return
        self.on = role or self.chance.choice(list(NAMES))
        self.tablet.sign_in(self.on)
        self.tablet.go()

    def kill(self) -> None:
        """Tap and pull the battery; start again and open the Log."""
        self.log(waits=self.chance.random() < 0.5)
        self.browser.kill()
        self.tablet.take_over(self.browser.start())
        self.tablet.go()

    def look(self) -> None:
        """Note whose Log is on the screen, or that nobody's is."""
        person = "document.querySelector('form.pad') && document.documentElement.dataset.personName"
        name = self.tablet.steadily(lambda: self.tablet.page.evaluate(person))
        self.on = next((role for role, own in NAMES.items() if own == name), None)

    def settle(self) -> None:
        """Mend the network and let everybody who has entries here sign in, until none waits."""
        self.mend()
        for _turn in range(6):
            waits = [one for one in self.tablet.queued() if one["state"] == "waiting"]
            if not waits:
                return
            known = {name: role for role, name in NAMES.items()}
            if self.on is None or NAMES[self.on] != waits[0]["name"]:
                self.sign_in(known[waits[0]["name"]])
            else:
                self.tablet.send()
                if self.tablet.contact()["person"] is None:
                    self.sign_in(self.on)
            self.tablet.send()
        raise AssertionError(f"it still waits: {self.tablet.queued()}")


def check(walk: Walk, site: TabletSite) -> None:
    """Compare what people were told with the rows of the database."""
    rows = kept_rows(site.engine)
    told = {cans for cans in walk.tapped if walk.tablet.is_told(cans)}
    assert told <= set(rows), f"told, and not kept: {sorted(told - set(rows))}"
    assert {cans: rows[cans] for cans in rows if rows[cans][0] != 1} == {}
    wrong = {cans: rows[cans][1] for cans in rows if rows[cans][1] != NAMES[walk.tapped[cans]]}
    assert wrong == {}


def test_what_was_told_in_200_random_sequences_is_kept_once(
    mortal: tuple[KillableBrowser, Tablet],
    tablet_site: TabletSite,
) -> None:
    walk = Walk(*mortal, random.Random(SEED))
    steps: dict[Callable[[], None], float] = {
        walk.log: 6,
        walk.log_in_passing: 1,
        walk.cut: 2,
        walk.mend: 2,
        walk.lose_answers: 2,
        walk.reload: 1,
        walk.close_page: 1,
        walk.send: 2,
        walk.second_page: 0.4,
        walk.expire: 0.6,
        walk.sign_in: 0.8,
    }
    for sequence in range(SEQUENCES):
        length = walk.chance.randint(*STEPS)
        for step in [
            *walk.chance.choices(list(steps), list(steps.values()), k=length),
            walk.log,
        ]:
            step()
            walk.look()
        if sequence % KILLED_EVERY == KILLED_EVERY - 1:
            walk.kill()
            walk.look()
        if sequence % 8 == 7:
            walk.settle()
            walk.look()
            check(walk, tablet_site)
    walk.settle()
    check(walk, tablet_site)
    told = [cans for cans in walk.tapped if walk.tablet.is_told(cans)]
    assert len(told) > SEQUENCES
    assert walk.tablet.network.lost > 10
