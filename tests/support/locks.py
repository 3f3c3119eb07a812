"""Writes the two locks: what running needs, and what testing needs on top of it.

Both hold for every system and every Python that we support, with a hash for each file, and
name no place to fetch from: that is the choice of whoever installs.
"""

import subprocess
import sys
from pathlib import Path

from uv import find_uv_bin

OPTIONS = (
    "--universal",
    "--python-version=3.11",
    "--generate-hashes",
    "--no-header",
    "--no-emit-index-url",
    "--no-emit-find-links",
    "--upgrade",
    "--quiet",
)


def compile_lock(lock: str, *options: str) -> None:
    """Choose the newest allowed versions and write them to `lock`."""
    Path(lock).unlink(missing_ok=True)
    command = (find_uv_bin(), "pip", "compile", "pyproject.toml", *OPTIONS, *options, "-o", lock)
    subprocess.run(command, check=True)


def main() -> int:
    """Write both; what both hold is the same version in both."""
    compile_lock("requirements.lock", "--group=build")
    groups = ("--group=build", "--group=test", "--group=bench", "--group=lint")
    compile_lock("requirements-test.lock", *groups, "--constraints=requirements.lock")
    return 0


if __name__ == "__main__":
    sys.exit(main())
