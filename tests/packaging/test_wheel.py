"""The wheel works where there is no checkout: everything it reads is inside."""

import json
import os
import subprocess
import sys
import sysconfig
import venv
import zipfile
from pathlib import Path

import pytest

from tests.support import testrun, tree

INSIDE = """
import json, sys
from pathlib import Path
import seed_demo, tracelog
from tracelog import paths
from tracelog.db import is_current, make_engine, upgrade

engine = make_engine("sqlite:///" + sys.argv[1])
upgrade(engine)
folders = (paths.templates_folder(), paths.migrations_folder(), paths.shared_folder())
print(json.dumps({
    "package": str(Path(tracelog.__file__).parent),
    "simulator": str(Path(seed_demo.__file__).parent),
    "folders": [str(folder) for folder in folders],
    "current": is_current(engine),
}))
"""


def _run(*command: str | Path, cwd: Path) -> str:
    # Neither the checkout nor the developer's settings are to be found from in there.
    clean = {name: value for name, value in os.environ.items() if name != "PYTHONPATH"}
    done = subprocess.run(
        [str(part) for part in command],
        cwd=cwd,
        env=clean,
        stdin=subprocess.DEVNULL,
        capture_output=True,
        encoding="utf-8",
    )
    assert done.returncode == 0, done.stderr or done.stdout
    return done.stdout


def _build() -> str:
    out = testrun.folder() / "dist"
    _run(sys.executable, "-m", "build", "--wheel", "--no-isolation", "--outdir", out, cwd=tree.ROOT)
    (wheel,) = out.glob("tracelog-*.whl")
    return str(wheel)


def _install() -> str:
    """A fresh environment with the wheel, and the libraries of this one lent to it."""
    place = testrun.folder() / "elsewhere"
    venv.create(place, with_pip=False, symlinks=os.name != "nt")
    scripts = place / ("Scripts" if os.name == "nt" else "bin")
    wheel = testrun.once("wheel", _build)
    _run(
        *(sys.executable, "-m", "pip", "--python", scripts / "python", "install"),
        *("--quiet", "--no-deps", "--no-index", "--disable-pip-version-check", wheel),
        cwd=place,
    )
    libraries = _run(
        *(scripts / "python", "-c", "import sysconfig; print(sysconfig.get_path('purelib'))"),
        cwd=place,
    )
    # The lent path comes after the wheel's own; this environment's .pth files stay unread.
    (Path(libraries.strip()) / "lent.pth").write_text(_own_libraries(), encoding="utf-8")
    return str(scripts)


def _own_libraries() -> str:
    return "\n".join(sorted({sysconfig.get_path("purelib"), sysconfig.get_path("platlib")}))


@pytest.fixture(scope="module")
def wheel() -> Path:
    return Path(testrun.once("wheel", _build))


@pytest.fixture(scope="module")
def scripts() -> Path:
    return Path(testrun.once("wheel-environment", _install))


def test_the_command_starts(scripts: Path, tmp_path: Path) -> None:
    said = _run(scripts / "tracelog", "--help", cwd=tmp_path)
    assert "Usage: tracelog" in said


def test_what_it_reads_is_inside_and_a_new_database_can_be_made(
    scripts: Path, tmp_path: Path
) -> None:
    told = json.loads(_run(scripts / "python", "-c", INSIDE, tmp_path / "new.db", cwd=tmp_path))
    package = Path(told["package"])
    assert tree.ROOT not in package.parents
    assert tree.ROOT not in Path(told["simulator"]).parents
    assert [Path(folder).parent for folder in told["folders"]] == [package] * 3
    assert told["current"]


@pytest.mark.parametrize(
    ("top", "inside"),
    [
        ("templates", "tracelog/_templates"),
        ("migrations", "tracelog/_migrations"),
        ("shared", "tracelog/_shared"),
        ("tracelog", "tracelog"),
        ("seed_demo", "seed_demo"),
    ],
)
def test_every_kept_file_is_in_the_wheel(wheel: Path, top: str, inside: str) -> None:
    kept = {
        f"{inside}/{path.relative_to(top).as_posix()}"
        for path in tree.files()
        if path.parts[0] == top
    }
    assert kept
    with zipfile.ZipFile(wheel) as archive:
        assert kept <= set(archive.namelist())


def test_nothing_else_is_in_the_wheel(wheel: Path) -> None:
    with zipfile.ZipFile(wheel) as archive:
        tops = {name.split("/")[0] for name in archive.namelist()}
        assert not [name for name in archive.namelist() if "__pycache__" in name]
    assert {top for top in tops if not top.endswith(".dist-info")} == {"tracelog", "seed_demo"}
