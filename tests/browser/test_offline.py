"""The Log without network: cut at every step, what was told to the operator is kept once."""

import re
import uuid
from datetime import UTC, datetime
from typing import Any

import pytest
from flask import Flask, request, request_started
from playwright.sync_api import expect
from sqlalchemy import select

from tests.browser.tablet import Tablet, TabletSite, account_id, kept_rows
from tests.support.clock import Clock
from tests.support.killable_browser import KillableBrowser
from tracelog.db import reading
from tracelog.defects.models import Entry, Photo

pytestmark = pytest.mark.parametrize("database_kind", ["sqlite"], indirect=True)
PICTURE = bytes.fromhex(
    "89504e470d0a1a0a0000000d4948445200000001000000010802000000907753de0000000c49444154789c63"
    "f8cfc0000003010100c9fe92ef0000000049454e44ae426082"
)


def test_without_network_the_log_its_entries_and_the_floor_open(tablet: Tablet) -> None:
    tablet.network.cut()
    for path, heading in (("/log", "Log"), ("/log?line=1", "Log"), ("/", "Floor")):
        tablet.go(path)
        expect(tablet.page.get_by_role("heading", level=1)).to_contain_text(heading)
    tablet.go("/log/entries")
    expect(tablet.page.locator("h1")).to_contain_text("ntries")
    tablet.go()
    expect(tablet.page.locator("form.pad .defect-tile").first).to_be_visible()
    expect(tablet.page.locator("#tablet-state")).to_contain_text("No network.")
    expect(tablet.page.locator("#tablet-state")).to_contain_text("This page is as of")


def test_other_pages_say_what_works_without_network(tablet: Tablet) -> None:
    tablet.network.cut()
    for path in ("/trends", "/log/entries?defect=split"):
        tablet.go(path)
        expect(tablet.page.get_by_role("heading", level=1)).to_have_text("No network")
    tablet.page.get_by_role("main").get_by_role("link", name="Log", exact=True).click()
    expect(tablet.page.get_by_role("heading", level=1)).to_contain_text("Log")


def test_an_entry_gets_its_id_and_time_on_the_tablet(
    tablet: Tablet, tablet_site: TabletSite, clock: Clock
) -> None:
    tablet.network.cut()
    before = datetime.now(UTC)
    tablet.tap(41)
    tablet.wait_until(lambda: tablet.is_told(41))
    tablet.wait_until(lambda: "as soon as there is a network" in tablet.told[-1])
    (waits,) = tablet.queued()
    known = uuid.UUID(waits["id"])
    assert known.version == 7
    assert 0 <= (known.int >> 80) / 1000 - before.timestamp() < 10
    assert kept_rows(tablet_site.engine) == {}
    tablet.network.mend()
    tablet.send()
    with reading(tablet_site.engine) as session:
        kept = session.execute(select(Entry)).scalar_one()
        assert (kept.id, kept.cans, kept.logged_by) == (known, 41, "Olga")
        # The application's clock stands in March; the tablet's goes by the machine's.
        error_s = (before - clock.now()).total_seconds()
        assert kept.tablet_clock_error_s == pytest.approx(error_s, abs=30)
        assert 0 <= (clock.now() - kept.logged_at).total_seconds() < 30
        assert kept.seen_at == kept.logged_at


@pytest.mark.parametrize("step", ["before the tap", "with the tap", "answer lost", "no contact"])
def test_the_network_is_cut_at_a_step(tablet: Tablet, tablet_site: TabletSite, step: str) -> None:
    network = tablet.network
    if step == "before the tap":
        network.cut()
    elif step == "answer lost":
        network.lose_answers()
    elif step == "no contact":
        network.loses = b"GET /log/contact"
        network.lose_answers()
    tablet.tap(7)
    if step == "with the tap":
        network.cut()
    tablet.wait_until(lambda: tablet.is_told(7))
    if step == "answer lost":
        tablet.wait_until(lambda: network.lost > 0)
        assert kept_rows(tablet_site.engine) == {7: (1, "Olga")}
        assert [one["state"] for one in tablet.queued()] == ["waiting"]
    network.mend()
    tablet.send()
    tablet.wait_until(lambda: kept_rows(tablet_site.engine) == {7: (1, "Olga")})
    tablet.wait_until(lambda: [one["state"] for one in tablet.queued()] == ["sent"])


def test_it_is_sent_by_itself_when_the_network_is_back(
    tablet: Tablet, tablet_site: TabletSite
) -> None:
    tablet.context.set_offline(True)
    for cans in (3, 4):
        tablet.tap(cans)
        tablet.wait_until(lambda cans=cans: tablet.is_told(cans))
    expect(tablet.page.locator("#tablet-line")).to_contain_text(
        "No network. Entries that wait on this tablet: 2."
    )
    tablet.page.reload()
    tablet.type("1-1 split 5")
    tablet.wait_until(lambda: tablet.is_told(5))
    tablet.context.set_offline(False)
    tablet.wait_until(lambda: len(kept_rows(tablet_site.engine)) == 3)
    assert set(kept_rows(tablet_site.engine).values()) == {(1, "Olga")}
    expect(tablet.page.locator("#tablet-state")).to_contain_text("Nothing waits on this tablet.")


def test_what_was_told_outlives_a_killed_browser(
    mortal: tuple[KillableBrowser, Tablet], tablet_site: TabletSite
) -> None:
    browser, tablet = mortal
    tablet.network.cut()
    tablet.tap(8)
    tablet.wait_until(lambda: tablet.is_told(8))
    browser.kill()
    tablet.take_over(browser.start())
    tablet.go()
    expect(tablet.page.locator("#tablet-line")).to_contain_text("wait on this tablet: 1.")
    tablet.tap(9)
    tablet.wait_until(lambda: tablet.is_told(9))
    tablet.network.lose_answers()
    tablet.send()
    browser.kill()
    tablet.network.mend()
    tablet.take_over(browser.start())
    tablet.sign_in("operator")
    tablet.go()
    tablet.wait_until(lambda: all(one["state"] == "sent" for one in tablet.queued()))
    assert kept_rows(tablet_site.engine) == {8: (1, "Olga"), 9: (1, "Olga")}


def test_the_queue_waits_for_its_person(tablet: Tablet, tablet_site: TabletSite) -> None:
    tablet.network.cut()
    tablet.tap(10)
    tablet.wait_until(lambda: tablet.is_told(10))
    tablet.sign_out()  # the session has expired
    tablet.network.mend()
    tablet.send()
    assert kept_rows(tablet_site.engine) == {}
    tablet.go()
    expect(tablet.page.get_by_role("heading", level=1)).to_have_text("Sign in")
    line = tablet.page.locator("#tablet-line")
    expect(line).to_contain_text("Entries that wait for Olga to sign in: 1.")

    tablet.sign_in("supervisor")
    tablet.go()
    tablet.send()
    expect(line).to_contain_text("Entries that wait for Olga to sign in: 1.")
    expect(tablet.page.locator("#on-tablet")).not_to_contain_text("1-1")
    tablet.tap(11)
    tablet.wait_until(lambda: kept_rows(tablet_site.engine) == {11: (1, "Sara")})

    tablet.sign_in("operator")
    tablet.go()
    tablet.send()
    tablet.wait_until(lambda: len(kept_rows(tablet_site.engine)) == 2)
    assert kept_rows(tablet_site.engine) == {10: (1, "Olga"), 11: (1, "Sara")}


def test_whoever_signs_in_at_the_last_moment_does_not_get_the_entry(
    tablet: Tablet, tablet_site: TabletSite
) -> None:
    tablet.network.cut()
    tablet.tap(12)
    tablet.wait_until(lambda: tablet.is_told(12))
    # Before the network is back: the page may send by itself as soon as it is.
    at_last = [lambda: tablet.sign_in("supervisor")]
    tablet.before_sending(lambda: at_last.pop()() if at_last else None)
    tablet.network.mend()
    tablet.send()
    assert kept_rows(tablet_site.engine) == {}
    assert [one["state"] for one in tablet.queued()] == ["waiting"]
    tablet.sign_in("operator")
    tablet.send()
    assert kept_rows(tablet_site.engine) == {12: (1, "Olga")}


def test_a_refusal_is_shown_on_the_entry_which_can_be_changed(
    tablet: Tablet, tablet_site: TabletSite
) -> None:
    page = tablet.page
    tablet.network.cut()
    tablet.type("1-9 split 2")
    tablet.wait_until(lambda: "1-9 split 2" in "".join(tablet.told))
    tablet.type("1-1 split 6")
    tablet.wait_until(lambda: tablet.is_told(6))
    tablet.network.mend()
    tablet.send()
    assert kept_rows(tablet_site.engine) == {6: (1, "Olga")}
    item = page.locator(".tablet-entry[data-state=refused]")
    expect(item).to_contain_text("no machine bears 1-9")
    (known,) = [one["id"] for one in tablet.queued() if one["state"] == "refused"]
    item.get_by_role("button", name="Change it").click()
    expect(page.locator("#field-typed")).to_have_value("1-9 split 2")
    expect(page.get_by_role("alert")).to_contain_text("Not kept by the server yet")
    page.get_by_label("Keep it as read: the can says so").check()
    page.get_by_role("button", name="Log", exact=True).click()
    tablet.wait_until(lambda: len(kept_rows(tablet_site.engine)) == 2)
    with reading(tablet_site.engine) as session:
        kept = session.execute(select(Entry).where(Entry.cans == 2)).scalar_one()
        assert (str(kept.id), kept.dome_code) == (known, "1-9")


def test_what_waits_can_be_taken_back_and_what_was_refused_discarded(
    tablet: Tablet, tablet_site: TabletSite
) -> None:
    asked: list[str] = []
    tablet.page.on("dialog", lambda dialog: (asked.append(dialog.message), dialog.accept()))
    tablet.network.cut()
    tablet.tap(13)
    tablet.wait_until(lambda: tablet.is_told(13))
    tablet.page.get_by_role("button", name="Take it back").click()
    tablet.wait_until(lambda: tablet.queued() == [])
    tablet.type("1-1 spilt")
    tablet.wait_until(lambda: len(tablet.queued()) == 1)
    tablet.network.mend()
    tablet.send()
    tablet.page.get_by_role("button", name="Discard it").click()
    tablet.wait_until(lambda: tablet.queued() == [])
    assert [re.sub(r"[^?]*\?.*", "?", one) for one in asked] == ["?", "?"]
    assert kept_rows(tablet_site.engine) == {}


def test_the_worker_sends_when_no_page_is_open(
    syncing_tablet: Tablet, tablet_site: TabletSite
) -> None:
    tablet = syncing_tablet
    tablet.network.cut()
    tablet.tap(17)
    tablet.wait_until(lambda: tablet.is_told(17))
    started: list[Any] = []

    def note(got: Any) -> None:
        started.append(got)

    blank = tablet.context.new_page()
    tablet.page.close()
    tablet.page = blank
    devices = tablet.context.new_cdp_session(blank)
    devices.on("ServiceWorker.workerRegistrationUpdated", note)
    devices.send("ServiceWorker.enable")
    tablet.wait_until(lambda: any(one["registrations"] for one in started))
    (known,) = [one for got in started for one in got["registrations"]][-1:]
    tablet.network.mend()
    # The browser tells the worker when it holds the network for back; here the test does.
    due = {"origin": tablet.network.url, "registrationId": known["registrationId"]}
    devices.send(
        "ServiceWorker.dispatchSyncEvent", due | {"tag": "tracelog-queue", "lastChance": False}
    )
    tablet.wait_until(lambda: bool(kept_rows(tablet_site.engine)))
    assert kept_rows(tablet_site.engine) == {17: (1, "Olga")}


def test_two_pages_of_a_tablet_send_each_entry_once(
    tablet: Tablet, tablet_site: TabletSite, application: Flask
) -> None:
    other = tablet.context.new_page()
    other.goto(tablet.address("/log"))
    tablet.network.cut()
    for cans in range(20, 30):
        tablet.tap(cans, other if cans % 2 else tablet.page)
        tablet.wait_until(lambda cans=cans: tablet.is_told(cans))
    asked: list[str] = []

    def note(_app: Flask, **_more: Any) -> None:
        if request.path == "/log/queued":
            asked.append(request.path)

    # Counted where they arrive: what the worker sends no page hears of.
    with request_started.connected_to(note, application):
        tablet.network.mend()
        for page in (tablet.page, other):
            page.evaluate("dispatchEvent(new Event('online'))")
        tablet.wait_until(lambda: len(kept_rows(tablet_site.engine)) == 10)
        tablet.wait_until(lambda: all(one["state"] == "sent" for one in tablet.queued()))
    assert kept_rows(tablet_site.engine) == dict.fromkeys(range(20, 30), (1, "Olga"))
    assert len(asked) == 10


@pytest.mark.parametrize(("status", "body"), [(503, "busy"), (500, ""), (200, "<p>Welcome</p>")])
def test_only_our_own_answer_counts(
    tablet: Tablet, tablet_site: TabletSite, status: int, body: str
) -> None:
    between = [(status, body)]
    tablet.before_sending(lambda: between[0] if between else None)
    tablet.tap(14)
    tablet.wait_until(lambda: any(one["sealed"] for one in tablet.queued()))
    tablet.send()
    assert [one["state"] for one in tablet.queued()] == ["waiting"]
    between.clear()
    tablet.send()
    assert kept_rows(tablet_site.engine) == {14: (1, "Olga")}


def test_a_tap_that_bounces_is_one_entry(tablet: Tablet, tablet_site: TabletSite) -> None:
    tablet.network.cut()
    tablet.tap(15)
    tablet.page.evaluate("document.querySelector('.defect-tile[value=split]').click()")
    tablet.wait_until(lambda: tablet.is_told(15))
    tablet.page.evaluate("document.querySelector('.defect-tile[value=split]').click()")
    tablet.network.mend()
    tablet.send()
    tablet.wait_until(lambda: kept_rows(tablet_site.engine) == {15: (1, "Olga")})
    assert len(tablet.queued()) == 1


def test_pictures_wait_with_their_entry(tablet: Tablet, tablet_site: TabletSite) -> None:
    tablet.network.cut()
    photo = {"name": "can.png", "mimeType": "image/png", "buffer": PICTURE}
    tablet.page.locator("form.pad input[type=file]").first.set_input_files(photo)
    tablet.tap(16)
    tablet.wait_until(lambda: tablet.is_told(16))
    tablet.page.reload()
    expect(tablet.page.locator(".tablet-entry")).to_contain_text("A picture of it waits.")
    tablet.network.loses = b"POST /api/v1/photos"
    tablet.network.lose_answers()
    # However often an answer is lost, the picture is sent again.
    for _time in range(3):
        tablet.send()
    tablet.network.mend()
    tablet.send()
    with reading(tablet_site.engine) as session:
        (kept,) = session.execute(select(Entry.id, Entry.cans)).all()
        assert session.execute(select(Photo.entry_id)).scalars().all() == [kept.id]
        assert kept.cans == 16
    expect(tablet.page.locator(".tablet-entry")).not_to_contain_text("A picture of it waits.")


def test_nobody_sees_without_network_what_another_person_saw(
    tablet: Tablet, tablet_site: TabletSite
) -> None:
    tablet.sign_in("supervisor")
    tablet.go("/me")
    tablet.wait_for_worker()
    names = tablet.page.evaluate("caches.keys()")
    owners = [name for name in names if name.startswith("tracelog-pages-")]
    assert owners == [f"tracelog-pages-{account_id(tablet_site.engine, 'supervisor')}"]
    tablet.network.cut()
    tablet.go()
    expect(tablet.page.locator(".menu > summary").first).to_contain_text("Sara")
    tablet.network.mend()
    tablet.sign_out()
    tablet.go()
    expect(tablet.page.get_by_role("heading", level=1)).to_have_text("Sign in")
    tablet.network.cut()
    tablet.go()
    expect(tablet.page.get_by_role("heading", level=1)).to_have_text("No network")


def test_signing_out_without_network_counts_at_once_and_on_the_server_later(
    tablet: Tablet, tablet_site: TabletSite
) -> None:
    tablet.network.cut()
    tablet.tap(17)
    tablet.wait_until(lambda: tablet.is_told(17))
    tablet.page.locator(".menu > summary", has_text="Olga").click()
    tablet.page.get_by_role("button", name="Sign out").click()
    expect(tablet.page.get_by_role("heading", level=1)).to_have_text("No network")
    tablet.go()
    expect(tablet.page.get_by_role("heading", level=1)).to_have_text("No network")
    tablet.network.mend()
    tablet.go()
    expect(tablet.page.get_by_role("heading", level=1)).to_have_text("Sign in")
    assert tablet.contact()["person"] is None
    tablet.sign_in("operator")
    tablet.go()
    tablet.wait_until(lambda: kept_rows(tablet_site.engine) == {17: (1, "Olga")})


def test_what_cannot_be_kept_is_not_told_as_kept(tablet: Tablet) -> None:
    tablet.page.evaluate(
        "IDBObjectStore.prototype.put = () => { throw new DOMException('full'); }; 0"
    )
    tablet.tap(18)
    expect(tablet.page.get_by_role("alert")).to_contain_text("Not kept: the storage")
    assert not tablet.is_told(18)
    expect(tablet.page.locator("form.pad input[name=line]:checked")).to_have_value("1")
