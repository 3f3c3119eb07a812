"""Passwords, PINs and tokens: what they must look like, how they are kept, how they are checked."""

import hashlib
import secrets
from functools import cache
from itertools import pairwise

from argon2 import PasswordHasher
from argon2.exceptions import InvalidHashError, VerificationError

from tracelog.errors import TracelogError
from tracelog.language import _
from tracelog.people.password_rules import refuse_known, refuse_words, words_of

SHORTEST_PASSWORD = 10
LONGEST_PASSWORD = 200
PIN_DIGITS = 6
# Operators work on shared tablets with gloves on; everybody else types a password.
PIN_ROLE = "operator"
# They tell whoever finds a secret what it opens.
TOKEN_PREFIX = "tlk_"  # noqa: S105
TABLET_PREFIX = "tlt_"
SCREEN_PREFIX = "tls_"

# argon2id with the library's parameters, which follow RFC 9106 section 4 (second choice).
_hasher = PasswordHasher()


def check_secret(secret: str, role: str, name: str, words: tuple[str, ...] = ()) -> None:
    """Refuse a password or PIN that is too easy to guess.

    Args:
        secret: as typed.
        role: of the account; an operator may have a PIN of six digits instead of a password.
        name: of the account.
        words: of the names of person and plant, which a password must not hold.

    Raises:
        TracelogError: at the field ``secret``, with what would be right.
    """
    if role == PIN_ROLE and secret.isdecimal() and len(secret) < SHORTEST_PASSWORD:
        _check_pin(secret)
        return
    if len(secret) < SHORTEST_PASSWORD:
        wanted = (
            _("use a PIN of 6 digits or a password of at least 10 characters")
            if role == PIN_ROLE
            else _("use a password of at least 10 characters")
        )
        raise TracelogError(_("is too short; %(wanted)s", wanted=wanted), "secret")
    if len(secret) > LONGEST_PASSWORD:
        raise TracelogError(_("is too long; use at most 200 characters"), "secret")
    if len(set(secret)) < 4:
        raise TracelogError(
            _("repeats the same few characters; use at least 4 different ones"), "secret"
        )
    if name.casefold() in secret.casefold():
        raise TracelogError(_("holds the account's name; use something else"), "secret")
    refuse_words(secret, (*words_of(name), *words))
    refuse_known(secret)


def _check_pin(pin: str) -> None:
    if len(pin) != PIN_DIGITS or not pin.isascii():
        raise TracelogError(_("is not a PIN; a PIN has exactly 6 digits, such as 402917"), "secret")
    steps = {int(after) - int(before) for before, after in pairwise(pin)}
    if len(steps) == 1 and steps <= {-1, 0, 1}:
        raise TracelogError(
            _("is too easy to guess; do not use equal digits or digits in a row"), "secret"
        )


def hash_secret(secret: str) -> str:
    """The argon2id hash that is kept in place of a password or PIN."""
    return _hasher.hash(secret)


@cache
def _nobodys_hash() -> str:
    return _hasher.hash(secrets.token_urlsafe(16))


def verify_secret(secret: str, secret_hash: str | None) -> bool:
    """Whether a secret is the one that was hashed.

    Args:
        secret: as typed.
        secret_hash: as kept; None for an unknown name, which takes just as long.
    """
    try:
        _hasher.verify(secret_hash or _nobodys_hash(), secret)
    except (VerificationError, InvalidHashError):
        return False
    return secret_hash is not None


def is_outdated(secret_hash: str) -> bool:
    """Whether a hash was made with other parameters than today's."""
    return _hasher.check_needs_rehash(secret_hash)


def new_token_secret(prefix: str = TOKEN_PREFIX) -> str:
    """A token that nobody can guess (256 random bits)."""
    return prefix + secrets.token_urlsafe(32)


def token_hash(secret: str) -> str:
    """SHA-256 of a token: enough for a long random secret, and quick to look up."""
    return hashlib.sha256(secret.encode()).hexdigest()
