"""Finding what is new and sending what is due: the two halves, each safe to run anywhere, twice."""

import random
import ssl
import uuid
from collections.abc import Collection
from dataclasses import dataclass
from functools import cached_property

from sqlalchemy import Engine

from tracelog import instants
from tracelog.config import Settings
from tracelog.db import reading, writing
from tracelog.errors import NoPlant, TracelogError
from tracelog.language import _, in_language
from tracelog.notices.facts import Kind, SubscriptionFact, Way
from tracelog.notices.occasions import occasions
from tracelog.notices.outbox_actions import (
    Claimed,
    Ended,
    claim,
    conclude,
    keep_found,
    make_messages,
)
from tracelog.notices.queries import (
    WebhookView,
    all_wanted,
    due_messages,
    has_due_notices,
    told,
    webhooks,
)
from tracelog.notices.rules import matches, was_told
from tracelog.notices.sending.caller import Call, call_webhook
from tracelog.notices.sending.letters import json_body, letter, seconds_between
from tracelog.notices.sending.mail_server import MailServer, Refusal, read_server, send_mail
from tracelog.notices.sending.signatures import secret_check, webhook_secret
from tracelog.notices.sending.targets import Reach, is_address, may_reach, read_target
from tracelog.plant.queries import PlantView, the_plant

# Messages sent before it is looked anew what is due.
_AT_ONCE = 50
# Spreads attempts; nothing secret.
_dice = random.SystemRandom()


def find_news(engine: Engine, kinds: Collection[Kind] = tuple(Kind)) -> int:
    """Look for what somebody asked for and was not told, and keep it with its messages.

    Looked for while others go on writing; only where there is something new is it written.

    Args:
        engine: the database.
        kinds: only of these.

    Returns:
        How many notices are new.
    """
    now = instants.now()
    with reading(engine) as session:
        wanted = all_wanted(session)
        asked: dict[str, set[Kind]] = {}
        for one in wanted:
            if own := {*one.kinds} & {*kinds}:
                asked.setdefault(one.language, set()).update(own)
        if not asked:
            return 0
        try:
            plant = the_plant(session)
        except NoPlant:
            return 0
        found = []
        for spoken, own_kinds in sorted(asked.items()):
            # Said in the reader's words once and for all, so that a message stays what it was.
            with in_language(spoken):
                happened = occasions(session, plant, own_kinds, now)
            found += [
                (who, one)
                for who in wanted
                for one in happened
                if who.language == spoken and matches(who, one, now)
            ]
        known = told(session, [one for _who, one in found])
    new = [(who, one) for who, one in found if not was_told(one, known.get(who.id, ()))]
    if not new:
        return 0
    with writing(engine) as session:
        return keep_found(session, new, plant.rota, now)


@dataclass(frozen=True)
class Sender:
    """Sends what is due with the settings of one installation.

    Attributes:
        engine: the database.
        settings: of this installation.
    """

    engine: Engine
    settings: Settings

    @cached_property
    def mail_server(self) -> MailServer | None:
        """The plant's mail server; None: no e-mail is sent from here."""
        return mail_server(self.settings)

    @cached_property
    def _context(self) -> ssl.SSLContext:
        return ssl.create_default_context(cafile=self.settings.ca_file)

    @property
    def ways(self) -> tuple[str, ...]:
        """The ways by which this process can send."""
        return (Way.EMAIL.value, Way.WEBHOOK.value) if self.mail_server else (Way.WEBHOOK.value,)

    def send_due(self) -> int:
        """Send everything that is due; returns how many messages were accepted."""
        with reading(self.engine) as session:
            gathered = has_due_notices(session, instants.now())
        if gathered:
            with writing(self.engine) as session:
                make_messages(session, instants.now())
        accepted = 0
        while ids := self._due():
            tried = [self._send(message_id) for message_id in ids]
            accepted += sum(one is True for one in tried)
            if all(one is None for one in tried):
                break  # others have them all
        return accepted

    def _due(self) -> list[uuid.UUID]:
        with reading(self.engine) as session:
            but = [one.id for one in webhooks(session) if not self.may_call(one)]
            return due_messages(session, instants.now(), self.ways, but, _AT_ONCE)

    def may_call(self, webhook: WebhookView) -> bool:
        """Whether a webhook is on, and its secret is the one that this installation makes."""
        return webhook.off_at is None and fits_key(self.settings, webhook)

    def _send(self, message_id: uuid.UUID) -> bool | None:
        """Try one message; None: another has it."""
        with writing(self.engine) as session:
            claimed = claim(session, message_id, instants.now(), self.ways)
            plant = the_plant(session) if claimed else None
        if claimed is None or plant is None:
            return None
        began = instants.now()
        accepted, words, is_final = self._try(claimed, plant)
        ended_at = instants.now()
        ended = Ended(accepted, words, seconds_between(began, ended_at), is_final)
        with writing(self.engine) as session:
            conclude(session, claimed, ended, ended_at, _dice.random())
        return accepted

    def _try(self, claimed: Claimed, plant: PlantView) -> tuple[bool, str, bool]:
        if claimed.way == Way.EMAIL.value:
            return self._by_mail(claimed, plant)
        secret = _own_secret(
            self.settings, str(claimed.webhook_id), claimed.secret_number, claimed.secret_check
        ) or webhook_secret(
            self.settings.secret_key, str(claimed.webhook_id), claimed.secret_number
        )
        call = Call(
            claimed.address,
            json_body(claimed, plant.name, self.settings.base_url),
            *(str(claimed.id), str(claimed.webhook_id), secret, claimed.attempt),
        )
        answer = call_webhook(call, reach_of(self.settings), self._context, instants.now())
        return answer.accepted, answer.words, answer.is_final

    def _by_mail(self, claimed: Claimed, plant: PlantView) -> tuple[bool, str, bool]:
        server = self.mail_server
        if server is None:
            return False, _("no mail server is set here"), False
        with in_language(claimed.language):
            mail = letter(claimed, server.sender, plant.name, plant.zone, self.settings.base_url)
        try:
            return True, send_mail(server, mail, self._context), False
        except Refusal as refusal:
            return False, refusal.answer, refusal.is_final


def fits_key(settings: Settings, webhook: WebhookView) -> bool:
    """Whether an installation's keys make the secret that was shown for a webhook.

    Not so after a backup was put back beside another key: nobody can sign for it then until it
    gets a new secret.
    """
    found = _own_secret(settings, str(webhook.id), webhook.secret_number, webhook.secret_check)
    return found is not None


def _own_secret(settings: Settings, webhook: str, number: int, check: str) -> str | None:
    """The secret that was shown for a webhook: by the present key, or by one from before."""
    made = (
        webhook_secret(key, webhook, number) for key in (settings.secret_key, *settings.older_keys)
    )
    return next((secret for secret in made if secret_check(secret) == check), None)


def demand_way(settings: Settings, fact: SubscriptionFact) -> None:
    """Refuse a way by which nothing is sent here.

    Raises:
        TracelogError: e-mail, and no mail server is set; or a webhook that may not be called.
    """
    if fact.way is Way.EMAIL and mail_server(settings) is None:
        raise TracelogError(
            _("no e-mail is sent here; ask an administrator to set TRACELOG_SMTP_URL"), "way"
        )
    if fact.way is Way.WEBHOOK and fact.address is not None:
        host = read_target(fact.address).host
        if is_address(host) and not may_reach(host, reach_of(settings)):
            raise TracelogError(
                _(
                    "%(host)s may not be called from here; TRACELOG_WEBHOOK_REACH says how far"
                    " webhooks reach",
                    host=host,
                ),
                "address",
            )


def mail_server(settings: Settings) -> MailServer | None:
    """The mail server that the settings name; None: none.

    Raises:
        TracelogError: a setting is wrong.
    """
    if not settings.smtp_url:
        return None
    return read_server(
        settings.smtp_url, settings.smtp_from, settings.smtp_username, settings.smtp_password
    )


def reach_of(settings: Settings) -> Reach:
    """How far webhooks may reach.

    Raises:
        TracelogError: the setting is none of the words.
    """
    word = settings.webhook_reach or Reach.PLANT.value
    if word not in set(Reach):
        raise TracelogError(
            _(
                "TRACELOG_WEBHOOK_REACH is '%(word)s'; write one of: %(known)s",
                word=word[:40],
                known=", ".join(Reach),
            )
        )
    return Reach(word)
