"""Where a person's name stands, and what stands there once it is erased. Pure."""

import json
import re
from collections.abc import Collection, Sequence
from typing import Any

# Columns and keys that hold who it was, beside those that end in `_by`.
_PERSON_WORDS = frozenset({"by", "actor", "appraiser", "account", "display_name", "who", "person"})


def is_person_word(name: str) -> bool:
    """Whether a column or a key of that name holds a person's name and nothing else.

    Example:
        >>> is_person_word("logged_by"), is_person_word("note")
        (True, False)
    """
    return name in _PERSON_WORDS or name.endswith("_by")


def without_name(
    text: str | None, names: Collection[str], instead: str, *, is_account: bool = False
) -> str | None:
    """JSON as text with a person's names replaced where it says who somebody is.

    Args:
        text: JSON as the trail keeps it; anything else is left as it is.
        names: the names, which must be the whole value.
        instead: what stands there then.
        is_account: it is about an account, whose own name stands under ``name``.
    """
    if text is None or not any(name in text for name in names):
        return text
    try:
        values = json.loads(text)
    except ValueError:
        return text
    keys = {"name"} if is_account else set()

    def replaced(value: Any, key: str) -> Any:
        if isinstance(value, dict):
            return {k: replaced(v, k) for k, v in value.items()}
        if isinstance(value, list):
            return [replaced(one, key) for one in value]
        is_who = is_person_word(key) or key in keys
        return instead if is_who and value in names else value

    done = replaced(values, "")
    if done == values:
        return text
    return json.dumps(done, sort_keys=True, ensure_ascii=False)


def names_in(text: str, names: Sequence[str]) -> bool:
    """Whether one of the names stands in a text as a word by itself, whatever its letters' case."""
    return any(re.search(rf"(?<!\w){re.escape(name)}(?!\w)", text, re.I) for name in names)


def words_replaced(text: str, names: Sequence[str], instead: str) -> str:
    """A text of tracelog's own making with the names replaced, where they are whole words."""
    for name in sorted(names, key=len, reverse=True):
        text = re.sub(rf"(?<!\w){re.escape(name)}(?!\w)", lambda _found: instead, text)
    return text
