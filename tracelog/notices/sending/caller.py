"""Calling a webhook: one POST, signed, to an address that was checked, and nothing followed."""

import http.client
import socket
import ssl
import threading
from contextlib import suppress
from dataclasses import dataclass
from datetime import datetime

from tracelog.errors import TracelogError
from tracelog.language import _
from tracelog.notices.sending.letters import plain
from tracelog.notices.sending.signatures import signed_headers
from tracelog.notices.sending.targets import Reach, Target, checked_addresses, read_target

_TIMEOUT_SECONDS = 10.0
# However slowly the other end goes on saying something.
_LONGEST_SECONDS = 20.0
_MOST_BYTES = 4096
# The other end says that nothing is wanted there any more (RFC 9110, 15.5.11).
_GONE = 410


@dataclass(frozen=True)
class Call:
    """One message for one webhook."""

    url: str
    body: bytes
    message: str
    key_id: str
    secret: str
    attempt: int


@dataclass(frozen=True)
class Answer:
    """What a webhook answered; `accepted`: with a status from 200 to 299."""

    accepted: bool
    words: str
    is_final: bool = False


class _Checked(http.client.HTTPConnection):
    """A connection to IP addresses that were checked, whatever their name stands for by now."""

    def __init__(self, target: Target, addresses: tuple[str, ...], context: ssl.SSLContext) -> None:
        super().__init__(target.host, target.port, timeout=_TIMEOUT_SECONDS)
        self._target, self._addresses, self._context = target, addresses, context
        self.default_port = 443 if target.is_encrypted else 80
        # Kept here too: an answer takes the connection's own away.
        self.opened: socket.socket | None = None

    def connect(self) -> None:
        """Connect to the first address that answers; the certificate must be for the name."""
        for place, address in enumerate(self._addresses, start=1):
            try:
                self.sock = socket.create_connection((address, self.port), _TIMEOUT_SECONDS)
                break
            except OSError:
                if place == len(self._addresses):
                    raise
        if self._target.is_encrypted:
            self.sock = self._context.wrap_socket(self.sock, server_hostname=self._target.host)
        self.opened = self.sock


def call_webhook(call: Call, reach: Reach, context: ssl.SSLContext, now: datetime) -> Answer:
    """Send a message to a webhook, once.

    Args:
        call: what goes where.
        reach: which networks may be called.
        context: whose certificates are trusted.
        now: UTC, for the signature.

    Returns:
        What became of it; never raises for what the other end does.
    """
    try:
        target = read_target(call.url)
        addresses = checked_addresses(target, reach)
    except TracelogError as problem:
        return Answer(accepted=False, words=problem.sentence)
    headers = signed_headers(call.url, call.body, call.message, call.key_id, call.secret, now)
    headers |= {"User-Agent": "tracelog", "Tracelog-Attempt": str(call.attempt)}
    link = _Checked(target, addresses, context)
    timer = threading.Timer(_LONGEST_SECONDS, _cut, [link])
    timer.daemon = True
    timer.start()
    try:
        link.request("POST", target.path, call.body, headers)
        response = link.getresponse()
        words = response.read(_MOST_BYTES).decode("utf-8", "replace")
        status = response.status
    except (OSError, http.client.HTTPException, ValueError) as problem:
        why = plain(str(problem)) or type(problem).__name__
        return Answer(accepted=False, words=_("it could not be reached: %(why)s", why=why))
    finally:
        timer.cancel()
        link.close()
    return _judged(status, words)


def _judged(status: int, words: str) -> Answer:
    told = plain(f"{status} {words}")
    if 200 <= status < 300:
        return Answer(accepted=True, words=told)
    if 300 <= status < 400:
        told = _("%(status)d: it leads elsewhere, which is not followed", status=status)
    return Answer(accepted=False, words=told, is_final=status == _GONE)


def _cut(link: _Checked) -> None:
    """End a connection from another thread, so that whoever waits for it stops waiting."""
    if link.opened is not None:
        with suppress(OSError):
            link.opened.shutdown(socket.SHUT_RDWR)
