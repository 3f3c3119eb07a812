"""What a write altered, from what stood before and after it. Pure."""

import json
from dataclasses import dataclass
from typing import Any

# Doors by which a write can come, as actors name them.
DOORS = ("page", "api", "command", "import", "mqtt", "opcua")


@dataclass(frozen=True)
class Altered:
    """One value that a write altered; None where there was none."""

    name: str
    before: str | None
    after: str | None


def altered(before: str | None, after: str | None) -> list[Altered]:
    """The values that differ, by name.

    Args:
        before, after: JSON objects as the trail keeps them; None: nothing was there.

    Example:
        >>> altered('{"cans": 1}', '{"cans": 2, "note": null}')
        [Altered(name='cans', before='1', after='2')]
    """
    old, new = _values(before), _values(after)
    names = sorted(old.keys() | new.keys())
    told = [Altered(name, _told(old.get(name)), _told(new.get(name))) for name in names]
    return [one for one in told if one.before != one.after]


def _values(text: str | None) -> dict[str, Any]:
    if text is None:
        return {}
    found = json.loads(text)
    return found if isinstance(found, dict) else {"": found}


def _told(value: Any) -> str | None:
    if value is None:
        return None
    return value if isinstance(value, str) else json.dumps(value, ensure_ascii=False)
