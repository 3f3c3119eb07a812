"""No test is left out because of its name."""

import ast
from collections.abc import Iterator
from pathlib import Path

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


def _idle(path: Path) -> list[str]:
    """What pytest would pass over: tests of files that it does not read, functions nobody calls."""
    module = tree.syntax(path)
    functions = list(_functions(module))
    if not path.name.startswith("test_"):
        return [function.name for function in functions if function.name.startswith("test_")]
    used = _used_names(module)
    return [
        function.name
        for function in functions
        if not function.name.startswith(("test_", "do_", "log_message", "__"))
        and not function.decorator_list
        and function.name not in used
    ]


def test_every_test_is_collected() -> None:
    idle = {str(path): found for path in TESTS if (found := _idle(path))}
    assert not idle, f"neither a test in a file named test_*.py nor called by one: {idle}"


def _asserting_nothing(path: Path) -> list[str]:
    module = tree.syntax(path)
    checking = _names_that_check(module)
    return [
        function.name
        for function in _functions(module)
        if function.name.startswith("test_") and not _checks(function, checking)
    ]


def test_every_test_can_fail() -> None:
    files = [path for path in TESTS if path.name.startswith("test_")]
    assert len(files) > 100
    empty = {str(path): found for path in files if (found := _asserting_nothing(path))}
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
