"""No test is left out because of its name."""

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.support import tree

TESTS = [path for path in tree.files(".py") if path.parts[0] == "tests"]


def _functions(module: ast.AST) -> Iterator[ast.FunctionDef]:
    """Functions of a module and of its classes, not those inside functions."""
    for node in ast.iter_child_nodes(module):
        if isinstance(node, ast.FunctionDef):
            yield node
        elif isinstance(node, ast.ClassDef):
            yield from _functions(node)


def _used_names(module: ast.Module) -> set[str]:
    used = {node.id for node in ast.walk(module) if isinstance(node, ast.Name)}
    return used | {node.attr for node in ast.walk(module) if isinstance(node, ast.Attribute)}


@pytest.mark.parametrize("path", TESTS, ids=str)
def test_every_test_is_collected(path: Path) -> None:
    module = tree.syntax(path)
    functions = list(_functions(module))
    if not path.name.startswith("test_"):
        stray = [function.name for function in functions if function.name.startswith("test_")]
        assert not stray, f"pytest does not look into {path}: name it test_*.py"
        return
    used = _used_names(module)
    idle = [
        function.name
        for function in functions
        if not function.name.startswith(("test_", "do_", "log_message", "__"))
        and not function.decorator_list
        and function.name not in used
    ]
    assert not idle, f"neither a test nor called by one: {idle}"


@pytest.mark.parametrize("path", TESTS, ids=str)
def test_every_test_can_fail(path: Path) -> None:
    if not path.name.startswith("test_"):
        return
    module = tree.syntax(path)
    checking = _names_that_check(module)
    empty = [
        function.name
        for function in _functions(module)
        if function.name.startswith("test_") and not _checks(function, checking)
    ]
    assert not empty, f"these assert nothing: {empty}"


def _checks(function: ast.FunctionDef, checking: set[str]) -> bool:
    for node in ast.walk(function):
        if isinstance(node, ast.Assert):
            return True
        if isinstance(node, ast.Call):
            called = node.func
            name = called.attr if isinstance(called, ast.Attribute) else getattr(called, "id", "")
            if name in checking or name.startswith(("assert", "expect", "check")):
                return True
    return False


def _names_that_check(module: ast.Module) -> set[str]:
    """Calls that fail by themselves, and functions of the file that assert for their caller."""
    checking = {"raises", "fail", "all_met"}  # the last compares with printed figures
    for _ in range(3):  # a helper may call a helper
        checking |= {
            function.name for function in _functions(module) if _checks(function, checking)
        }
    return checking
