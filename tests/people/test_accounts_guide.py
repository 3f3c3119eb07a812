"""The guide to accounts says what the tables of permissions and limits say."""

import re

from tests.support import tree
from tracelog.people.attempt_rules import LIMITS
from tracelog.people.permissions import EVERY_PERMISSION, PERMISSIONS, ROLES, SCOPES, WITH_PIN

GUIDE = (tree.ROOT / "docs" / "accounts.md").read_text(encoding="utf-8")


def _cells(line: str) -> list[str]:
    return [cell.strip() for cell in line.strip().strip("|").split("|")]


def test_the_table_of_roles_is_that_of_the_code() -> None:
    head = next(line for line in GUIDE.splitlines() if line.startswith("| what | operator"))
    assert _cells(head) == ["what", *ROLES, "with a PIN"]
    told = {
        cells[0]: cells[1:]
        for cells in map(_cells, re.findall(r"^\|.*\|$", GUIDE, flags=re.M))
        if cells[0] in EVERY_PERMISSION
    }
    assert told == {
        permission: [
            *("yes" if permission in PERMISSIONS[role] else "" for role in ROLES),
            "yes" if permission in WITH_PIN else "",
        ]
        for permission in EVERY_PERMISSION
    }


def test_the_scopes_and_limits_are_those_of_the_code() -> None:
    for name, included in SCOPES.items():
        assert f"| `{name}` | {', '.join(sorted(included))} |" in GUIDE
    rows = re.findall(r"^\| [^|]+ \| (\d+) \| (\d+) (minutes|seconds) \|$", GUIDE, flags=re.M)
    told = [
        (int(free), int(count) * (60 if unit == "minutes" else 1)) for free, count, unit in rows
    ]
    assert told == [
        (limit.free, int(limit.forgiven_every.total_seconds())) for limit in LIMITS.values()
    ]
