"""What a server is set up with: units, container file, example of settings."""

import json
import re
import shlex
import shutil
import subprocess
from pathlib import Path

import click
import pytest

from tests.support import tree
from tracelog.cli import tracelog
from tracelog.config import load_settings

DEPLOY = tree.ROOT / "deploy"
UNITS = sorted(path.name for path in DEPLOY.glob("*.service"))
PROGRAM = "/opt/tracelog/.venv/bin/tracelog"


def _settings_of(unit: str) -> dict[str, list[str]]:
    found: dict[str, list[str]] = {}
    for line in (DEPLOY / unit).read_text(encoding="utf-8").splitlines():
        if "=" in line and not line.startswith("#"):
            name, value = line.split("=", 1)
            found.setdefault(name, []).append(value)
    return found


def _understood(words: list[str]) -> str:
    """The command that these words are for; fails where it does not take them."""
    command: click.Command = tracelog
    context = click.Context(tracelog)
    while isinstance(command, click.Group):
        inner = command.get_command(context, words[0])
        assert inner is not None, words
        command, words = inner, words[1:]
    command.make_context("tracelog", list(words), resilient_parsing=False)
    return str(command.name)


@pytest.mark.parametrize("unit", UNITS)
def test_a_unit_runs_a_command_that_there_is_and_little_else_is_open_to_it(unit: str) -> None:
    said = _settings_of(unit)
    program, *words = shlex.split(said["ExecStart"][0].replace("$COLLECT", "--mqtt mqtt://x"))
    assert program == PROGRAM
    assert _understood(words) in {"serve", "collect", "backup"}
    assert said["User"] == ["tracelog"]
    assert said["CapabilityBoundingSet"] == [""]
    for name, value in {
        "NoNewPrivileges": "true",
        "ProtectSystem": "strict",
        "ProtectHome": "true",
        "PrivateTmp": "true",
        "StateDirectory": "tracelog",
        "UMask": "0077",
    }.items():
        assert said[name] == [value], name


def test_the_system_finds_no_fault_with_the_units(tmp_path: Path) -> None:
    program = shutil.which("systemd-analyze")
    for unit in [*UNITS, "tracelog-backup.timer"]:
        text = (DEPLOY / unit).read_text(encoding="utf-8")
        assert text.startswith("# ")
        name = unit.replace("@.", "@mqtt.")
        (tmp_path / name).write_text(text.replace(PROGRAM, "/bin/true"), encoding="utf-8")
    if program is None:
        return  # what is above was looked at all the same
    done = subprocess.run(
        [program, "verify", *map(str, tmp_path.iterdir())],
        capture_output=True,
        text=True,
        timeout=60,
    )
    assert done.stderr.count(str(tmp_path)) == 0, done.stderr


def test_the_container_is_built_from_the_lock_alone_and_runs_as_nobody_special() -> None:
    text = (DEPLOY / "Containerfile").read_text(encoding="utf-8")
    lines = re.sub(r"\\\n\s*", "", text).splitlines()
    steps = [line.split(None, 1) for line in lines if line and not line.startswith("#")]
    words = [step[0] for step in steps]
    assert set(words) <= {
        *("ARG", "FROM", "ENV", "WORKDIR", "RUN", "COPY", "USER", "VOLUME", "EXPOSE"),
        *("STOPSIGNAL", "HEALTHCHECK", "ENTRYPOINT", "CMD"),
    }
    installs = [rest for word, rest in steps if word == "RUN" and " pip install " in rest]
    assert ["--require-hashes" in one or "--no-index" in one for one in installs] == [True, True]
    copied = [
        shlex.split(rest)[:-1] for word, rest in steps if word == "COPY" and "--from" not in rest
    ]
    allowed = (DEPLOY / "Containerfile.dockerignore").read_text(encoding="utf-8").splitlines()
    for source in (one for sources in copied for one in sources):
        assert (tree.ROOT / source).exists(), source
        assert f"!{source.removeprefix('./')}" in allowed
    assert ["USER", "10001"] in steps
    assert words.count("FROM") == 2
    assert "HEALTHCHECK" in words
    (command,) = [rest for word, rest in steps if word == "CMD"]
    assert _understood(json.loads(command)) == "serve"


def test_the_example_names_settings_only_and_they_are_understood(tmp_path: Path) -> None:
    text = (DEPLOY / "tracelog.env.example").read_text(encoding="utf-8")
    named = re.findall(r"^(?:# )?(TRACELOG_[A-Z_]+)=(.*)$", text, flags=re.MULTILINE)
    readme = (tree.ROOT / "README.md").read_text(encoding="utf-8")
    assert len(named) > 10
    for name, _value in named:
        assert f"`{name}`" in readme, name
    given = {name: value for name, value in named if f"\n{name}=" in text}
    settings = load_settings({**given, "TRACELOG_DATA_DIR": str(tmp_path)})
    assert settings.backup_folder == "/var/backups/tracelog"
    assert settings.log_format == "json"


def test_the_operators_guide_names_commands_and_figures_that_there_are() -> None:
    guide = (tree.ROOT / "docs" / "operating.md").read_text(encoding="utf-8")
    context = click.Context(tracelog)
    named = set(re.findall(r"(?<!-u )(?<!--owner )(?<!/)\btracelog ([a-z]+)(?=[ `\n])", guide))
    assert {"serve", "backup", "restore", "upgrade", "downgrade", "key", "health"} <= named
    for name in named:
        assert tracelog.get_command(context, name) is not None, name
    counting = (tree.ROOT / "tracelog" / "web" / "counting.py").read_text(encoding="utf-8")
    for name in re.findall(r"`tracelog_([a-z_]+)`", guide):
        assert name.removesuffix("_total") in counting, name
