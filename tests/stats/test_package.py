"""What holds for the whole package: it starts fast, stands alone and documents every method."""

import ast
import importlib
import inspect
import pkgutil
import re
import subprocess
import sys
from pathlib import Path

import pytest

import tracelog.stats

FOLDER = Path(tracelog.stats.__file__).parent
MODULES = sorted(module.name for module in pkgutil.iter_modules([str(FOLDER)]))
# Not a method: they check arguments or put a chart together.
WITHOUT_SOURCE = {"inputs", "chart"}


def test_importing_every_module_loads_neither_pandas_nor_scipy() -> None:
    names = ", ".join(f"tracelog.stats.{name}" for name in MODULES)
    code = f"import sys, {names}; print([m for m in ('pandas', 'scipy') if m in sys.modules])"
    answer = subprocess.run(
        [sys.executable, "-c", code],
        capture_output=True,
        text=True,
        check=True,
        cwd=FOLDER.parents[1],
    )
    assert answer.stdout.strip() == "[]"


@pytest.mark.parametrize("name", MODULES)
def test_a_module_imports_nothing_of_ours_but_this_package(name: str) -> None:
    tree = ast.parse((FOLDER / f"{name}.py").read_text(encoding="utf-8"))
    imported = [node.module or "" for node in ast.walk(tree) if isinstance(node, ast.ImportFrom)]
    imported += [
        a.name for node in ast.walk(tree) if isinstance(node, ast.Import) for a in node.names
    ]
    ours = [module for module in imported if module.split(".")[0] == "tracelog"]
    assert all(module.startswith("tracelog.stats.") for module in ours)
    assert not {"datetime", "random", "time", "sqlalchemy"} & {m.split(".")[0] for m in imported}


@pytest.mark.parametrize("name", [name for name in MODULES if name not in WITHOUT_SOURCE])
def test_every_method_states_its_source_and_an_example_with_a_number(name: str) -> None:
    module = importlib.import_module(f"tracelog.stats.{name}")
    functions = [
        member
        for public, member in inspect.getmembers(module, inspect.isfunction)
        if not public.startswith("_") and member.__module__ == module.__name__
    ]
    assert functions
    for function in functions:
        text = inspect.getdoc(function) or ""
        assert "Source" in text, function.__name__
        example = text.partition("Example: ")[2]
        assert re.search(r"\d", example), function.__name__
