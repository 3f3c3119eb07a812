"""What can be run is explained where a newcomer looks."""

import re
import tomllib

import click
import pytest
from click.testing import CliRunner

from tests.support import tree
from tracelog.cli import COMMANDS, SUMMARIES, tracelog

MAKEFILE = (tree.ROOT / "Makefile").read_text(encoding="utf-8")
TARGETS = re.findall(r"^([a-z][a-z-]*):", MAKEFILE, flags=re.MULTILINE)
PROJECT = tomllib.loads((tree.ROOT / "pyproject.toml").read_text(encoding="utf-8"))


def _ways(command: click.Command, *before: str) -> list[tuple[str, ...]]:
    """The words of every command and of every command inside one."""
    ways = [before] if before else []
    if isinstance(command, click.Group):
        context = click.Context(command)
        for name in command.list_commands(context):
            inner = command.get_command(context, name)
            assert inner is not None
            ways += _ways(inner, *before, name)
    return ways


WAYS = _ways(tracelog)


def _read(name: str) -> str:
    return (tree.ROOT / name).read_text(encoding="utf-8")


@pytest.mark.parametrize("target", TARGETS)
def test_make_help_explains_every_target(target: str) -> None:
    assert re.search(rf"^{target}:.*## \S", MAKEFILE, flags=re.MULTILINE)


@pytest.mark.parametrize("target", TARGETS)
def test_every_target_is_declared_to_be_no_file(target: str) -> None:
    (declared,) = re.findall(r"^\.PHONY:(.*)$", MAKEFILE, flags=re.MULTILINE)
    assert target in declared.split()


@pytest.mark.parametrize("target", TARGETS)
def test_the_contributors_guide_names_every_target(target: str) -> None:
    assert f"make {target}" in _read("DEVELOPERS.md")


@pytest.mark.parametrize("target", sorted({*TARGETS} - {"help", "install", "clean"}))
def test_windows_without_make_has_every_target(target: str) -> None:
    assert f"`make {target}`" in _read("docs/windows.md")


def test_the_guides_name_no_target_that_is_gone() -> None:
    for name in ("README.md", "DEVELOPERS.md", "docs/windows.md"):
        for target in re.findall(r"`make ([a-z-]+)", _read(name)):
            assert target in TARGETS, f"{name} says make {target}"


@pytest.mark.parametrize("command", sorted(COMMANDS))
def test_the_readme_names_every_command(command: str) -> None:
    assert f"tracelog {command}" in _read("README.md")


def test_the_list_of_commands_says_what_their_own_help_says() -> None:
    context = click.Context(tracelog)
    own = {name: tracelog.get_command(context, name) for name in COMMANDS}
    assert own.keys() == SUMMARIES.keys()
    for name, command in own.items():
        assert command is not None
        assert command.get_short_help_str(limit=200) == SUMMARIES[name]


@pytest.mark.parametrize("words", WAYS, ids=" ".join)
def test_every_command_has_an_example(words: tuple[str, ...]) -> None:
    shown = CliRunner().invoke(tracelog, [*words, "--help"])
    assert f"Example: tracelog {' '.join(words)}" in shown.output


@pytest.mark.parametrize(
    "need",
    [
        *PROJECT["project"]["dependencies"],
        *(need for group in PROJECT["dependency-groups"].values() for need in group),
    ],
)
def test_the_contributors_guide_says_why_each_library_is_needed(need: str) -> None:
    name = re.split(r"[\[<>=]", need)[0]
    assert re.search(rf"\b{re.escape(name)}\b", _read("DEVELOPERS.md"), flags=re.IGNORECASE)


@pytest.mark.parametrize(
    "setting",
    sorted(set(re.findall(r"TRACELOG_[A-Z]+(?:_[A-Z]+)*", _read("tracelog/config.py")))),
)
def test_every_setting_is_explained(setting: str) -> None:
    assert setting in _read("README.md")


def test_the_contributors_guide_has_the_order_of_the_layers() -> None:
    (layers,) = [
        contract["layers"]
        for contract in PROJECT["tool"]["importlinter"]["contracts"]
        if contract["type"] == "layers"
    ]
    drawn = "\n".join(re.sub(r"[()]", "", layer) for layer in layers)
    assert f"```\n{drawn}\n```" in _read("DEVELOPERS.md")
