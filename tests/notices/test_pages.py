"""The Notices pages and the API, as people and programs use them."""

import re
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import Engine, func, select
from sqlalchemy.orm import Session

from tests.notices.subscribing import (
    KEY,
    NOW,
    Receiver,
    asks,
    complaint,
    everything,
    find,
    person,
    settings_of,
)
from tests.support.command import Command
from tests.support.site import CAST, Cast, Visit
from tests.support.statements import Statements
from tracelog.audit import Actor, AuditRecord
from tracelog.db import reading, writing
from tracelog.notices.actions import MOST_SUBSCRIPTIONS
from tracelog.notices.delivering import Sender
from tracelog.notices.models import Subscription, Webhook
from tracelog.notices.queries import unread
from tracelog.web.application import create_application

ADD = "/notices/subscriptions"
BY_MAIL = {"kind_signal": "yes", "way": "email", "address": "sara@plant.example"}
BY_HOOK = {"kind_hold": "yes", "way": "webhook", "address": "https://hook.example/in"}


@pytest.fixture
def site(plant: Engine, tmp_path: Path, cast: Cast) -> Visit:
    """A supervisor who looks at an installation with a mail server."""
    settings = settings_of(
        plant,
        tmp_path,
        smtp_url="smtps://mail.example",
        smtp_from="tracelog@plant.example",
        webhook_reach="plant",
    )
    app = create_application(settings, engine=plant)
    app.testing = True
    visit = Visit(app.test_client())
    cast.sign_in(visit, "supervisor")
    visit.get(ADD)
    return visit


def kept(engine: Engine) -> list[Subscription]:
    with Session(engine) as session:
        found = list(session.execute(select(Subscription).order_by(Subscription.id)).scalars())
        session.expunge_all()
    return found


def last_record(engine: Engine) -> tuple[str, str]:
    with reading(engine) as session:
        row = session.execute(
            select(AuditRecord.action, AuditRecord.actor)
            .order_by(AuditRecord.sequence.desc())
            .limit(1)
        ).one()
    return row[0], row[1]


def test_somebody_subscribes_changes_tests_and_ends_it(site: Visit, plant: Engine) -> None:
    answer = site.post(
        ADD,
        **BY_MAIL,
        kind_hold="yes",
        place="machine 1-2",
        pace="daily",
        daily_at="06:30",
        quiet_from="22:00",
        quiet_to="06:00",
        leaks_at_once="yes",
        least_severity="contact",
    )
    assert answer.status_code == 303, answer.text
    (one,) = kept(plant)
    assert (one.kinds, one.way, one.address) == ("signal,hold", "email", "sara@plant.example")
    assert (one.daily_at, one.quiet_from, one.quiet_to) == ("06:30", "22:00", "06:00")
    assert last_record(plant) == ("subscribe", "sara")
    page = site.get(ADD).text
    assert "gathered, at 06:30 every day; quiet from 22:00 to 06:00; leaks always at once" in page

    form = site.get(f"{ADD}/{one.id}").text
    assert 'value="machine 1-2" selected' in form
    changed = site.post(f"{ADD}/{one.id}", kind_service="yes", way="page", daily_at="06:30")
    assert changed.status_code == 303
    (one,) = kept(plant)
    assert (one.kinds, one.way, one.address, one.daily_at) == ("service", "page", None, None)
    assert last_record(plant) == ("change subscription", "sara")

    site.get(ADD)
    assert site.post(f"{ADD}/{one.id}/test").status_code == 303
    assert "Test notice" in site.get("/notices").text
    again = site.post(f"{ADD}/{one.id}/test")
    assert again.status_code == 409
    assert "a test was asked for just now" in again.text
    assert site.post(f"{ADD}/{one.id}/end").status_code == 303
    assert last_record(plant) == ("end subscription", "sara")
    assert kept(plant)[0].ended_at == NOW
    assert site.get(f"{ADD}/{one.id}").status_code == 404


def test_a_form_that_is_sent_twice_subscribes_once(site: Visit, plant: Engine) -> None:
    key = re.search(r'name="id" value="([^"]+)"', site.get(ADD).text)
    assert key
    for _time in range(2):
        assert site.post(ADD, id=key[1], **BY_MAIL).status_code == 303
    assert len(kept(plant)) == 1
    other = site.post(ADD, id=key[1], **(BY_MAIL | {"kind_hold": "yes"}))
    assert other.status_code == 409


@pytest.mark.parametrize(
    ("said", "field", "sentence"),
    [
        ({"way": "page"}, "kinds", "choose at least one thing to be told of"),
        ({**BY_MAIL, "address": ""}, "address", "write where the message goes"),
        ({**BY_MAIL, "address": "sara"}, "address", "is not an e-mail address"),
        ({**BY_MAIL, "pace": "daily"}, "daily_at", "say when the daily message is sent"),
        ({**BY_MAIL, "pace": "daily", "daily_at": "25:00"}, "daily_at", "write it such as 06:00"),
        ({**BY_MAIL, "quiet_from": "22:00"}, "quiet_to", "have a start and an end"),
        ({**BY_MAIL, "quiet_from": "22:00", "quiet_to": "22:00"}, "quiet_to", "the same as"),
        ({**BY_MAIL, "place": "machine 9-9"}, "machine", "there is no line 9"),
        ({**BY_MAIL, "days_ahead": "61"}, "days_ahead", "it must be from 0 to 60"),
        ({**BY_MAIL, "way": "pigeon"}, "way", "is not one of: page, email, webhook"),
        ({**BY_HOOK, "address": "hook.example"}, "address", "is not the address of a webhook"),
        ({**BY_HOOK, "address": "http://127.0.0.1/in"}, "address", "may not be called from here"),
        ({**BY_HOOK, "address": "http://169.254.169.254/"}, "address", "may not be called"),
    ],
)
def test_what_is_wrong_is_said_at_its_field_and_nothing_is_kept(
    site: Visit, plant: Engine, said: dict[str, str], field: str, sentence: str
) -> None:
    before = last_record(plant)
    answer = site.post(ADD, **said)
    assert answer.status_code in (400, 422)
    assert f'href="#field-{field}"' in answer.text
    assert sentence in answer.text
    assert kept(plant) == []
    assert last_record(plant) == before


def test_without_a_mail_server_no_e_mail_is_offered_or_taken(
    visit: Visit, plant: Engine, cast: Cast
) -> None:
    cast.sign_in(visit, "operator")
    page = visit.get(ADD).text
    assert "No mail server is set here" in page
    assert 'value="email"' not in page
    answer = visit.post(ADD, **BY_MAIL)
    assert answer.status_code == 400
    assert "no e-mail is sent here" in answer.text


def test_a_secret_is_shown_once_and_can_be_renewed(site: Visit, plant: Engine) -> None:
    answer = site.post(ADD, **BY_HOOK)
    secret = re.search(r"<code>([^<]+)</code>", answer.text)
    assert answer.status_code == 200
    assert secret
    assert secret[1] not in site.get(ADD).text
    with Session(plant) as session:
        hook = session.execute(select(Webhook)).scalar_one()
    renewed = re.search(
        r"<code>([^<]+)</code>", site.post(f"/notices/webhooks/{hook.id}/secret").text
    )
    assert renewed
    assert renewed[1] != secret[1]
    # Neither is anywhere in the database.
    with reading(plant) as session:
        told = [row.after or "" for row in session.execute(select(AuditRecord)).scalars()]
    assert not any(one[1] in text for one in (secret, renewed) for text in told)
    # A second subscription to the same address has the same webhook, and shows no secret.
    second = site.post(ADD, **BY_HOOK, kind_signal="yes")
    assert second.status_code == 303
    assert len({one.webhook_id for one in kept(plant)}) == 1


@pytest.mark.parametrize("role", ["operator", "planner", "quality"])
def test_webhooks_and_deliveries_belong_to_supervisors_and_administrators(
    visit: Visit, plant: Engine, cast: Cast, role: str
) -> None:
    cast.sign_in(visit, role)
    assert 'value="webhook"' not in visit.get(ADD).text
    assert visit.post(ADD, **BY_HOOK).status_code == 403
    assert kept(plant) == []
    assert visit.get("/notices/deliveries").status_code == 403
    assert visit.get("/notices").status_code == 200
    assert "Deliveries" not in visit.get("/notices").text


def test_nobody_changes_what_is_another_person_s(site: Visit, plant: Engine) -> None:
    other = asks(plant, person(plant, "administrator"))
    hook = asks(plant, person(plant, "administrator"), way="webhook", address="https://a.example/")
    assert hook.secret
    for path in (f"{ADD}/{other.id}", f"{ADD}/{other.id}/end", f"{ADD}/{other.id}/test"):
        assert site.post(path, **BY_MAIL).status_code == 404
    (found,) = [one.webhook_id for one in kept(plant) if one.webhook_id]
    assert site.post(f"/notices/webhooks/{found}/secret").status_code == 404
    assert "a.example" not in site.get(ADD).text


def test_there_is_an_end_to_subscribing(site: Visit, plant: Engine, sara: Actor) -> None:
    for _one in range(MOST_SUBSCRIPTIONS):
        asks(plant, sara)
    answer = site.post(ADD, **BY_MAIL)
    assert answer.status_code == 409
    assert f"you have {MOST_SUBSCRIPTIONS} subscriptions, which is the most" in answer.text


# --- reading


def test_the_bell_counts_what_is_unread_until_it_is_opened(
    site: Visit, plant: Engine, sara: Actor
) -> None:
    asks(plant, sara)
    asks(plant, sara, way="page", address=None)
    find(plant, complaint(1), complaint(2), complaint(3))
    page = site.get("/notices")
    assert 'aria-label="Notices, 3 unread"' in page.text
    # Two subscriptions ask for the same: it stands there once.
    assert page.text.count("Complaint 2 written by quentin</h2>") == 1
    key = everything(plant)[0][0].id
    opened = site.post("/notices/read", notice=key, next="/complaints/1")
    assert (opened.status_code, opened.headers["Location"]) == (303, "/complaints/1")
    assert 'aria-label="Notices, 2 unread"' in site.get("/notices").text
    assert "Complaint 1 " not in site.get("/notices?show=unread").text
    elsewhere = site.post("/notices/read", notice=key, next="https://other.example/")
    assert elsewhere.headers["Location"] == "/notices"
    site.post("/notices/read")
    assert 'aria-label="Notices, all read"' in site.get("/notices").text
    assert "Nothing unread" in site.get("/notices?show=unread").text


def test_nobody_reads_what_another_person_was_told(site: Visit, plant: Engine) -> None:
    other = person(plant, "quality")
    asks(plant, other)
    find(plant, complaint(1))
    assert "Complaint 1" not in site.get("/notices").text
    site.post("/notices/read", notice=everything(plant)[0][0].id)
    with reading(plant) as session:
        assert other.account_id
        assert unread(session, other.account_id) == 1


def test_long_lists_are_shown_page_by_page(site: Visit, plant: Engine, sara: Actor) -> None:
    asks(plant, sara, way="page", address=None)
    find(plant, *(complaint(number) for number in range(70)))
    first = site.get("/notices").text
    further = re.search(r'href="(/notices\?after=[^"]+)"', first)
    assert further
    second = site.get(further[1]).text
    told = re.findall(r"Complaint (\d+) written by quentin</h2>", first + second)
    assert sorted(map(int, told)) == list(range(70))
    assert site.get("/notices?after=nonsense").status_code == 400


def test_the_bell_costs_each_page_one_statement(site: Visit, plant: Engine, sara: Actor) -> None:
    asks(plant, sara, way="page", address=None)
    find(plant, *(complaint(number) for number in range(40)))
    statements = Statements(plant)
    with statements.counted() as sent:
        site.get("/me")
    statements.close()
    assert len([one for one in sent if "notices" in one]) == 1


# --- deliveries


def test_deliveries_show_each_attempt_and_send_again(
    site: Visit, plant: Engine, sara: Actor, tmp_path: Path
) -> None:
    gone = Receiver().start()
    url = gone.url
    gone.answers = [(410, {}, b"<b>gone</b>")]
    asks(plant, sara, way="webhook", address=url)
    find(plant, complaint(1))
    sender = Sender(plant, settings_of(plant, tmp_path, webhook_reach="any"))
    assert sender.send_due() == 0
    page = site.get("/notices/deliveries").text
    assert "410 &lt;b&gt;gone&lt;/b&gt;" in page
    assert "given up" in page
    (message,) = everything(plant)[1]
    assert site.post(f"/notices/deliveries/{message.id}/again").status_code == 303
    assert last_record(plant) == ("send again", "sara")
    assert sender.send_due() == 1
    gone.stop()
    assert [one.state for one in everything(plant)[1]] == ["sent"]
    assert "Complaint 1" in site.get("/notices/deliveries.csv?state=sent").text
    assert "Complaint 1" not in site.get("/notices/deliveries.csv?state=waiting").text
    assert site.get("/notices/deliveries.xlsx").status_code == 200
    assert site.get("/notices/deliveries?state=lost").status_code == 400
    assert site.get("/notices/deliveries.pdf").status_code == 404


def test_a_webhook_is_switched_off_and_on(site: Visit, plant: Engine, sara: Actor) -> None:
    asks(plant, sara, way="webhook", address="https://hook.example/in")
    with Session(plant) as session:
        key = session.execute(select(Webhook.id)).scalar_one()
    site.get("/notices/deliveries")
    assert site.post(f"/notices/webhooks/{key}/off").status_code == 303
    assert last_record(plant) == ("switch webhook off", "sara")
    assert "switched off by sara" in site.get(ADD).text
    assert site.post(f"/notices/webhooks/{key}/on").status_code == 303
    assert "switched off by sara" not in site.get(ADD).text
    assert last_record(plant) == ("switch webhook on", "sara")


# --- programs and the command


def test_the_api_subscribes_and_reads(site: Visit, plant: Engine, sara: Actor) -> None:
    from tracelog.people.actions import create_token
    from tracelog.people.queries import account_named

    with writing(plant) as session:
        account = account_named(session, CAST["supervisor"].name)
        token = create_token(session, account, "gateway", "supervisor", sara, NOW)

    def call(method: str, path: str, body: Any = None) -> Any:
        headers = {"Authorization": f"Bearer {token}"}
        return getattr(site.client, method)(f"/api/v1{path}", json=body, headers=headers)

    said = {"kinds": ["complaint"], "way": "webhook", "address": "https://hook.example/in"}
    made = call("post", "/subscriptions", said)
    assert made.status_code == 201
    assert made.json["secret"]
    again = call("post", "/subscriptions", said | {"id": made.json["id"]})
    assert (again.status_code, again.json["status"], again.json["secret"]) == (
        *(200, "unchanged"),
        None,
    )
    (listed,) = call("get", "/subscriptions").json["subscriptions"]
    assert listed["address"] == "https://hook.example/in"
    assert listed["pace"] == "at once"
    wrong = call("post", "/subscriptions", said | {"kinds": ["weather"]})
    assert (wrong.status_code, wrong.json["faults"][0]["field"]) == (422, "kinds")
    find(plant, complaint(1))
    told = call("get", "/notices?unread=1").json
    assert (told["unread"], told["notices"][0]["title"]) == (1, "Complaint 1 written by quentin")
    assert call("get", "/notices").json["unread"] == 1


def test_the_command_finds_sends_and_lists(
    plant: Engine, sara: Actor, command: Command, receiver: Receiver, tmp_path: Path
) -> None:
    command.environment["TRACELOG_WEBHOOK_REACH"] = "any"
    command.environment["TRACELOG_SECRET_KEY"] = KEY
    asks(plant, sara, way="webhook", address=receiver.url)
    find(plant, complaint(1))
    said = command("notices", "--once", "--send").stdout
    assert said == "0 new notices\n1 messages sent\n"
    assert len(receiver.calls) == 1
    listed = command("notices", "--json").stdout
    assert '"answer": "200 thank you"' in listed
    assert "Complaint 1 written by quentin" in command("notices", "--state", "sent").stdout
    assert "Complaint 1" not in command("notices", "--state", "waiting").stdout
    assert "belong to the list" in command("notices", "--send", "--json", status=2).stderr


def test_the_audit_chain_holds(site: Visit, plant: Engine) -> None:
    from tracelog.audit import broken_links

    site.post(ADD, **BY_HOOK)
    with reading(plant) as session:
        assert broken_links(session) == []
        count = select(func.count()).select_from(AuditRecord)
        assert session.execute(count).scalar_one() > 3
