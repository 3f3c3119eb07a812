"""What the readers of all picture formats share."""


class BadPicture(ValueError):
    """A picture breaks the rules of its format; the message says how, in a few words."""


def demand(is_right: bool, why: str) -> None:
    """Refuse a picture that breaks a rule.

    Raises:
        BadPicture: with `why`.
    """
    if not is_right:
        raise BadPicture(why)


def exactly(content: bytes, start: int, length: int) -> bytes:
    """So many bytes from a place on.

    Raises:
        BadPicture: there are fewer.
    """
    found = content[start : start + length]
    demand(len(found) == length, "it ends too early")
    return found
