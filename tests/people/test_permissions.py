"""Who may do what."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tracelog.audit import Actor
from tracelog.errors import TracelogError
from tracelog.people.permissions import (
    EVERY_PERMISSION,
    PERMISSIONS,
    ROLES,
    SCOPES,
    covers,
    may,
    may_act,
)
from tracelog.people.scopes import chosen_permissions, read_scopes, written_scopes


def test_there_are_the_five_roles_and_the_table_has_each() -> None:
    assert ROLES == ("operator", "planner", "supervisor", "quality", "administrator")
    assert set(PERMISSIONS) == set(ROLES)


@pytest.mark.parametrize("role", ROLES)
@pytest.mark.parametrize("permission", ["see", "log entry", "correct entry", "change own secret"])
def test_everybody_sees_logs_and_corrects(role: str, permission: str) -> None:
    assert may(role, permission)


@pytest.mark.parametrize(
    ("permission", "roles"),
    [
        ("record service", {"planner", "supervisor", "administrator"}),
        ("record tool change", {"planner", "supervisor", "administrator"}),
        ("record change", {"planner", "supervisor", "quality", "administrator"}),
        ("send readings", {"planner", "supervisor", "administrator"}),
        ("read counter", {"operator", "planner", "supervisor", "administrator"}),
        ("settle counter", {"planner", "supervisor", "administrator"}),
        ("set station parts", {"planner", "supervisor", "administrator"}),
        ("hold stock", {"supervisor", "quality"}),
        ("release stock", {"quality"}),
        ("manage accounts", {"administrator"}),
        ("read audit", {"supervisor", "quality", "administrator"}),
        ("set up plant", {"administrator"}),
        ("see health", {"administrator"}),
        ("see group", {"planner", "supervisor", "quality", "administrator"}),
        ("load spreadsheet", {"supervisor", "administrator"}),
    ],
)
def test_the_rest_is_for_some(permission: str, roles: set[str]) -> None:
    assert {role for role in ROLES if may(role, permission)} == roles


@given(st.text(), st.text())
def test_unknown_roles_and_permissions_allow_nothing(role: str, permission: str) -> None:
    known = role in ROLES and permission in EVERY_PERMISSION
    assert known or not may(role, permission)


@pytest.mark.parametrize("role", ROLES)
def test_a_role_can_be_lent_out_as_itself_or_a_lesser_one(role: str) -> None:
    assert covers(role, role)
    assert covers(role, "operator") == PERMISSIONS[role].issuperset(PERMISSIONS["operator"])
    assert not covers("operator", role) or role == "operator"
    assert not covers(role, "nobody")


def test_a_token_does_what_its_scopes_name_and_nothing_else() -> None:
    for role in ROLES:
        for name, included in SCOPES.items():
            if not included <= PERMISSIONS[role]:
                with pytest.raises(TracelogError, match="does not include"):
                    chosen_permissions([name], role)
                continue
            program = Actor("x", role, "api", scopes=chosen_permissions([name], role))
            can = {one for one in EVERY_PERMISSION if may_act(program, one)}
            assert can == included, (role, name)
    assert chosen_permissions([], "planner") is None
    some = frozenset({"see", "log entry"})
    assert read_scopes(written_scopes(some)) == some
    with pytest.raises(TracelogError, match="'everything' is not a scope"):
        chosen_permissions(["everything"], "planner")
