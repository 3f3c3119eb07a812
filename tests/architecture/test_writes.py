"""Rows change in one kind of place only, and work is committed at the doors only."""

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.support import tree

# Beside actions.py, each with its reason.
MAY_WRITE: dict[str, str] = {
    "tracelog/audit.py": "appends the record that every action leaves",
    "tracelog/bulk.py": "inserts many rows at once; calling it counts as writing",
}
MAY_COMMIT: dict[str, str] = {
    "tracelog/db.py": "one transaction around what a command does",
    "tracelog/web/request.py": "one transaction around what a request does",
    "tracelog/group/link_actions.py": "a subscription is made outside any transaction",
}
WRITING_FUNCTIONS = {"insert", "update", "delete", "insert_rows", "insert_tuples"}
WRITING_METHODS = {"add", "add_all", "merge", "delete", "bulk_save_objects", "bulk_insert_mappings"}
WRITING_WORDS = ("INSERT ", "UPDATE ", "DELETE ", "COPY ", "TRUNCATE ", "REPLACE INTO ")

MODULES = [path for path in tree.files(".py") if path.parts[0] == "tracelog"]


def _writing_functions(module: ast.Module) -> set[str]:
    """Names under which the module has imported functions that write."""
    return {
        alias.asname or alias.name
        for node in ast.walk(module)
        if isinstance(node, ast.ImportFrom)
        for alias in node.names
        if (node.module or "").startswith(("sqlalchemy", "tracelog.bulk"))
        and alias.name in WRITING_FUNCTIONS
    }


def _writes(module: ast.Module) -> Iterator[str]:
    functions = _writing_functions(module)
    for node in ast.walk(module):
        if isinstance(node, ast.Call):
            called = node.func
            if isinstance(called, ast.Name) and called.id in functions:
                yield f"line {node.lineno}: {called.id}(...)"
            elif (
                isinstance(called, ast.Attribute)
                and called.attr in WRITING_METHODS
                and isinstance(called.value, ast.Name)
                and called.value.id in {"session", "connection"}
            ):
                yield f"line {node.lineno}: {called.value.id}.{called.attr}(...)"
        elif (
            isinstance(node, ast.Constant)
            and isinstance(node.value, str)
            and node.value.lstrip().startswith(WRITING_WORDS)
        ):
            yield f"line {node.lineno}: {node.value.strip()[:40]}"


def _commits(module: ast.Module) -> Iterator[str]:
    for node in ast.walk(module):
        if (
            isinstance(node, ast.Call)
            and isinstance(node.func, ast.Attribute)
            and node.func.attr == "commit"
        ):
            yield f"line {node.lineno}"


def test_only_actions_change_rows() -> None:
    others = [
        path
        for path in MODULES
        if not path.stem.endswith("actions") and path.as_posix() not in MAY_WRITE
    ]
    writes = {str(path): found for path in others if (found := list(_writes(tree.syntax(path))))}
    assert not writes, f"belongs into the room's actions.py: {writes}"


def test_only_doors_commit() -> None:
    others = [path for path in MODULES if path.as_posix() not in MAY_COMMIT]
    commits = {str(path): found for path in others if (found := list(_commits(tree.syntax(path))))}
    assert not commits, f"an action leaves the commit to the door that called it: {commits}"


@pytest.mark.parametrize("exempt", [*MAY_WRITE, *MAY_COMMIT])
def test_no_exemption_outlives_its_reason(exempt: str) -> None:
    module = tree.syntax(Path(exempt))
    assert list(_writes(module)) if exempt in MAY_WRITE else list(_commits(module))


@pytest.mark.parametrize(
    "source",
    [
        "from sqlalchemy import insert\nconnection.execute(insert(T), rows)",
        "from sqlalchemy.dialects.sqlite import insert as put\nput(T)",
        "from tracelog.bulk import insert_rows\ninsert_rows(session, Reading, rows)",
        "session.add(row)",
        "connection.execute(text(' DELETE FROM readings'))",
    ],
)
def test_a_write_is_recognised(source: str) -> None:
    assert list(_writes(ast.parse(source)))


@pytest.mark.parametrize("source", ["names.add(name)", "values.update(more)", "select(T)"])
def test_what_is_no_write_is_left_alone(source: str) -> None:
    assert not list(_writes(ast.parse(source)))


def _database_or_numerics(module: ast.Module) -> Iterator[str]:
    sql = {"select", "text", "insert", "update", "delete", "func"}
    for node in ast.walk(module):
        if isinstance(node, ast.ImportFrom):
            library = (node.module or "").split(".")[0]
            named = {alias.name for alias in node.names}
            if library in {"scipy", "numpy"} or (library == "sqlalchemy" and named & sql):
                yield f"line {node.lineno}: {node.module}"
        elif isinstance(node, ast.Import):
            for alias in node.names:
                if alias.name.split(".")[0] in {"sqlalchemy", "scipy", "numpy"}:
                    yield f"line {node.lineno}: {alias.name}"


def test_views_hold_no_sql_and_no_statistics() -> None:
    doors = [path for path in MODULES if path.name in {"views.py", "api.py"}]
    found = {str(path): list(_database_or_numerics(tree.syntax(path))) for path in doors}
    misplaced = {path: lines for path, lines in found.items() if lines}
    assert not misplaced, f"belongs into queries.py, rules.py or tracelog/stats: {misplaced}"


@pytest.mark.parametrize(
    "source", ["from sqlalchemy import select", "import numpy as np", "from scipy import stats"]
)
def test_sql_and_statistics_are_recognised(source: str) -> None:
    assert list(_database_or_numerics(ast.parse(source)))
