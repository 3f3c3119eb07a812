"""Everybody is told in the language in which they read, programs in English."""

import uuid
from dataclasses import replace
from email import message_from_string
from email.policy import default

import pytest
from sqlalchemy import Engine, update

from tests.notices.subscribing import NOW, ZONE, Mailbox, asks, everything
from tests.support.site import CAST, Cast
from tracelog.audit import Actor
from tracelog.cases.complaints.actions import write_complaint
from tracelog.cases.complaints.facts import ComplaintFact
from tracelog.db import reading, writing
from tracelog.language import in_language
from tracelog.notices.delivering import Sender, find_news
from tracelog.notices.queries import all_wanted, language_for
from tracelog.people.models import Account
from tracelog.people.queries import account_named


def complained(engine: Engine) -> None:
    with writing(engine) as session:
        said = {"id": str(uuid.uuid4()), "received_at": NOW, "pallet": "P1"}
        write_complaint(session, ComplaintFact.read(said, ZONE), CAST["quality"].actor(), NOW)


def reads(engine: Engine, who: Actor, language: str | None) -> None:
    with writing(engine) as session:
        session.execute(
            update(Account).where(Account.id == who.account_id).values(language=language)
        )


@pytest.mark.parametrize("language", [None, "es", "pt_BR"])
def test_a_letter_speaks_the_language_of_who_gets_it(
    plant: Engine, sara: Actor, sender: Sender, mailbox: Mailbox, language: str | None
) -> None:
    reads(plant, sara, language)
    asks(plant, sara)
    complained(plant)
    assert find_news(plant) == 1
    assert sender.send_due() == 1
    letter = message_from_string(mailbox.letters[0][2], policy=default)
    body = letter.get_body()
    assert body is not None
    text = body.get_content()
    english = "no kind of defect named" in text and "You asked for these notices" in text
    assert english == (language is None)
    with in_language(language or "en"):
        assert everything(plant)[0][0].title == str(letter["Subject"]).partition(": ")[2]
    assert ("Complaint 1" in str(letter["Subject"])) == (language is None)


def test_two_who_read_otherwise_are_told_the_same_in_their_own_words(
    plant: Engine, sara: Actor, cast: Cast
) -> None:
    cast.join("quality")
    quentin = CAST["quality"].actor()
    with reading(plant) as session:
        key = account_named(session, CAST["quality"].name).id
    for who, language in ((sara, "es"), (replace(quentin, account_id=key), None)):
        reads(plant, who, language)
        asks(plant, who, way="page", address=None)
    complained(plant)
    assert find_news(plant) == 2
    assert find_news(plant) == 0
    notices = everything(plant)[0]
    assert len({one.occasion for one in notices}) == 1
    assert len({one.title for one in notices}) == 2


def test_programs_are_told_in_english(plant: Engine, sara: Actor) -> None:
    assert language_for("webhook", "es") == "en"
    assert language_for("email", "es") == "es"
    assert language_for("page", "tlh") == "en"
    reads(plant, sara, "es")
    asks(plant, sara)
    with reading(plant) as session:
        assert [one.language for one in all_wanted(session)] == ["es"]
