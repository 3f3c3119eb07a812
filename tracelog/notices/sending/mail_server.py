"""Sending by e-mail: the plant's mail server, by SMTP (RFC 5321)."""

import re
import smtplib
import socket
import ssl
import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from email.message import EmailMessage
from urllib.parse import urlsplit

from tracelog.errors import TracelogError
from tracelog.language import _
from tracelog.notices.rules import LONGEST_ATTEMPT
from tracelog.notices.sending.letters import plain

_TIMEOUT_SECONDS = 20.0
_PORTS = {"smtp": 587, "smtps": 465, "smtp-plain": 25}
_REFUSED_FOR_GOOD = re.compile(r"5[0-9][0-9]")


@dataclass(frozen=True)
class MailServer:
    """The plant's mail server.

    `safety`: ``smtps`` (TLS from the start), ``smtp`` (STARTTLS, without which nothing is sent), or
    ``smtp-plain`` (no encryption, and so no password either).
    """

    safety: str
    host: str
    port: int
    sender: str
    username: str | None = None
    password: str | None = field(default=None, repr=False)


class Refusal(Exception):
    """The mail server did not take a mail.

    Attributes:
        answer: what it said, or why it could not be asked.
        is_final: it will never take it.
    """

    def __init__(self, answer: str, *, is_final: bool = False) -> None:
        super().__init__(answer)
        self.answer, self.is_final = answer, is_final


def read_server(
    url: str, sender: str | None, username: str | None, password: str | None
) -> MailServer:
    """The mail server that the settings name.

    Raises:
        TracelogError: a setting is missing or wrong.
    """
    try:
        parts = urlsplit(url)
        port = parts.port
    except ValueError:
        parts, port = urlsplit(""), None
    if parts.scheme not in _PORTS or not parts.hostname or parts.username or parts.path.strip("/"):
        raise TracelogError(
            _(
                "TRACELOG_SMTP_URL is no mail server; write smtp://mail.example:587 (STARTTLS),"
                " smtps://mail.example:465, or smtp-plain://mail.example:25, and name and password"
                " in TRACELOG_SMTP_USERNAME and TRACELOG_SMTP_PASSWORD"
            )
        )
    if sender is None:
        raise TracelogError(
            _("TRACELOG_SMTP_FROM is missing; set it to the address from which notices come")
        )
    if username and parts.scheme == "smtp-plain":
        raise TracelogError(
            _("a password is not sent without encryption; use smtp:// or smtps://, or no name")
        )
    port = port or _PORTS[parts.scheme]
    return MailServer(parts.scheme, parts.hostname, port, sender, username, password)


def send_mail(server: MailServer, mail: EmailMessage, context: ssl.SSLContext) -> str:
    """Hand a mail to the server.

    Args:
        server: which.
        mail: to whom it says.
        context: whose certificates are trusted.

    Returns:
        What it answered.

    Raises:
        Refusal: it did not take it.
    """
    try:
        with _opened(server, context) as link, _broken_off(link):
            return _hand_over(server, link, mail, context)
    except smtplib.SMTPResponseException as problem:
        raise Refusal(_told(problem.smtp_code, problem.smtp_error)) from problem
    except (smtplib.SMTPException, OSError) as problem:
        why = plain(str(problem)) or type(problem).__name__
        raise Refusal(_("the mail server could not be reached: %(why)s", why=why)) from problem


def _opened(server: MailServer, context: ssl.SSLContext) -> smtplib.SMTP:
    if server.safety == "smtps":
        return smtplib.SMTP_SSL(server.host, server.port, timeout=_TIMEOUT_SECONDS, context=context)
    return smtplib.SMTP(server.host, server.port, timeout=_TIMEOUT_SECONDS)


@contextmanager
def _broken_off(link: smtplib.SMTP) -> Iterator[None]:
    """Break the line after a while, also where the server goes on saying a little now and then."""

    def cut() -> None:
        # Whoever waits for an answer stops waiting; closing alone would let them wait on.
        if link.sock is not None:
            with suppress(OSError):
                link.sock.shutdown(socket.SHUT_RDWR)

    timer = threading.Timer(LONGEST_ATTEMPT.total_seconds(), cut)
    timer.daemon = True
    timer.start()
    try:
        yield
    finally:
        timer.cancel()


def _hand_over(
    server: MailServer, link: smtplib.SMTP, mail: EmailMessage, context: ssl.SSLContext
) -> str:
    link.ehlo()
    if server.safety == "smtp":
        link.starttls(context=context)
        link.ehlo()
    if server.username:
        link.login(server.username, server.password or "")
    _demand(link.mail(server.sender), is_about_mail=False)
    _demand(link.rcpt(str(mail["To"])), is_about_mail=True)
    code, answer = link.data(mail.as_bytes())
    _demand((code, answer), is_about_mail=True)
    return _told(code, answer)


def _demand(answer: tuple[int, bytes], *, is_about_mail: bool) -> None:
    """Go on only where the server says so; what is wrong with a mail itself stays wrong."""
    code, words = answer
    if 200 <= code < 300:
        return
    is_final = is_about_mail and _REFUSED_FOR_GOOD.fullmatch(str(code)) is not None
    raise Refusal(_told(code, words), is_final=is_final)


def _told(code: int, words: bytes | str) -> str:
    text = words.decode("utf-8", "replace") if isinstance(words, bytes) else words
    return plain(f"{code} {text}")
