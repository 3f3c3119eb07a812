"""What is written in a message: the same words, and the same bytes, however often it is sent."""

import json
from datetime import datetime
from email.message import EmailMessage
from email.policy import SMTP
from email.utils import format_datetime
from zoneinfo import ZoneInfo

from tracelog.instants import show_instant, write_instant
from tracelog.language import _
from tracelog.notices.outbox_actions import Claimed
from tracelog.notices.queries import NoticeView

_LONGEST_SUBJECT = 150


def page_address(base_url: str | None, link: str) -> str:
    """Where a page is: with the installation's own address before it, where that is set."""
    return f"{base_url.rstrip('/')}{link}" if base_url else link


def letter(
    claimed: Claimed, sender: str, plant: str, zone: ZoneInfo, base_url: str | None
) -> EmailMessage:
    """A message as an e-mail in plain text.

    Args:
        claimed: the message.
        sender: address from which it comes.
        plant: its name, for the subject.
        zone: the plant's, for times.
        base_url: of the pages; None: links are written without it.
    """
    mail = EmailMessage(policy=SMTP)
    mail["From"] = sender
    mail["To"] = claimed.address
    mail["Subject"] = subject(claimed.notices, plant)
    mail["Date"] = format_datetime(claimed.made_at)
    mail["Message-ID"] = message_id(claimed, sender)
    # RFC 3834: nobody's holiday answer comes back.
    mail["Auto-Submitted"] = "auto-generated"
    # Lines stay short, and no server must take more than plain letters.
    mail.set_content(_body(claimed.notices, zone, base_url), cte="quoted-printable")
    return mail


def message_id(claimed: Claimed, sender: str) -> str:
    """What a mail is known by (RFC 5322, 3.6.4): the message's id, the same at each attempt."""
    return f"<{claimed.id}@{sender.rpartition('@')[2]}>"


def subject(notices: tuple[NoticeView, ...], plant: str) -> str:
    """One line: the only notice, or how many there are."""
    if len(notices) == 1:
        words = f"{plant}: {notices[0].title}"
    else:
        words = _("%(plant)s: %(count)d notices", plant=plant, count=len(notices))
    # Whatever a title holds, a header stays one line.
    return " ".join("".join(sign if sign.isprintable() else " " for sign in words).split())[
        :_LONGEST_SUBJECT
    ]


def _body(notices: tuple[NoticeView, ...], zone: ZoneInfo, base_url: str | None) -> str:
    told = [
        "\n".join(
            (
                one.title,
                _("%(at)s, %(place)s", at=show_instant(one.happened_at, zone), place=one.place),
                one.text,
                page_address(base_url, one.link),
            )
        )
        for one in notices
    ]
    end = _(
        "You asked for these notices; change or end them at %(page)s",
        page=page_address(base_url, "/notices/subscriptions"),
    )
    return "\n\n".join([*told, f"-- \n{end}\n"])


def json_body(claimed: Claimed, plant: str, base_url: str | None) -> bytes:
    """A message as a webhook gets it: JSON in UTF-8, instants in UTC."""
    said = {
        "message": str(claimed.id),
        "made_at": write_instant(claimed.made_at),
        "plant": plant,
        "notices": [
            {
                "id": str(one.id),
                "occasion": one.occasion,
                "kind": one.kind,
                "place": one.place,
                "severity": one.severity,
                "title": one.title,
                "text": one.text,
                "happened_at": write_instant(one.happened_at),
                "link": page_address(base_url, one.link),
            }
            for one in claimed.notices
        ],
    }
    return json.dumps(said, ensure_ascii=False, separators=(",", ":")).encode()


def plain(answer: str) -> str:
    """What another program answered, short and on one line, to be shown."""
    kept = "".join(sign if sign.isprintable() else " " for sign in answer)
    return " ".join(kept.split())[:200]


def seconds_between(began: datetime, ended: datetime) -> int:
    """How long an attempt took, in milliseconds."""
    return max(round((ended - began).total_seconds() * 1000), 0)
