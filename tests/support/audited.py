"""Asks the package index whether a locked library has a known weakness.

The index that pip is set to use is asked, else its own default: its JSON page of a release names
what the advisory database of the Python Packaging Authority holds about it. A known weakness fails;
an index that cannot be asked is told plainly and fails nothing, since it says nothing of libraries.
"""

import json
import os
import re
import subprocess
import sys
import urllib.error
import urllib.request
from collections.abc import Iterable, Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from urllib.parse import urlsplit

from pip._internal.models.index import PyPI

LOCKS = ("requirements.lock", "requirements-test.lock")
# Weaknesses that do not reach us: the id, and why. A test demands the why.
ACCEPTED: Mapping[str, str] = {}
_PINNED = re.compile(r"^([A-Za-z0-9][\w.-]*)==([^\s;\\]+)", re.MULTILINE)
_PATIENCE_S = 15
_AT_ONCE = 8


@dataclass(frozen=True)
class Weakness:
    """What is known of one release: its ids, and where it is put right."""

    library: str
    version: str
    ids: tuple[str, ...]
    fixed_in: tuple[str, ...]

    def __str__(self) -> str:
        fix = f"fixed in {', '.join(self.fixed_in)}" if self.fixed_in else "no fix yet"
        return f"{self.library} {self.version}: {', '.join(self.ids)}; {fix}"


def pinned(text: str) -> set[tuple[str, str]]:
    """Names and versions that a lock holds."""
    return set(_PINNED.findall(text))


def index() -> str:
    """Where releases are asked for: pip's own index, without its list of files."""
    told = os.environ.get("PIP_INDEX_URL", "")
    if not told:
        command = (sys.executable, "-m", "pip", "config", "list")
        listed = subprocess.run(command, capture_output=True, encoding="utf-8", check=False).stdout
        found = re.findall(r"^[\w:]+\.index-url='(.*)'$", listed, re.MULTILINE)
        told = found[-1] if found else ""
    return re.sub(r"/simple/?$", "", told or PyPI.simple_url)


def known_weaknesses(
    releases: Iterable[tuple[str, str]], address: str
) -> tuple[list[Weakness], int]:
    """What is known of all releases, and how many of them the index told about.

    An index that tells nothing of the first is asked nothing more.
    """
    releases = sorted(releases)
    if not releases or _asked(address, *releases[0]) is None:
        return [], 0
    with ThreadPoolExecutor(_AT_ONCE) as pool:
        answers = list(pool.map(lambda one: _asked(address, *one), releases))
    told = [answer for answer in answers if answer is not None]
    return [weakness for answer in told for weakness in answer], len(told)


def _asked(address: str, library: str, version: str) -> list[Weakness] | None:
    """What is known of one release; None: the index does not say."""
    if urlsplit(address).scheme not in {"http", "https"}:
        return None
    try:
        place = f"{address}/pypi/{library}/{version}/json"
        with urllib.request.urlopen(place, timeout=_PATIENCE_S) as answer:
            found = json.load(answer)["vulnerabilities"]
    except (OSError, ValueError, KeyError, TypeError, urllib.error.URLError):
        return None
    weaknesses = [
        Weakness(
            library,
            version,
            tuple(dict.fromkeys([one["id"], *one.get("aliases", ())])),
            tuple(one.get("fixed_in", ())),
        )
        for one in found
        if not one.get("withdrawn")
    ]
    return [one for one in weaknesses if not set(one.ids) & set(ACCEPTED)]


def main(locks: Iterable[str] = LOCKS) -> int:
    """Ask about both locks; 1 if anything is known that nobody has accepted."""
    releases = {one for lock in locks for one in pinned(Path(lock).read_text(encoding="utf-8"))}
    weaknesses, told = known_weaknesses(releases, index())
    for one in weaknesses:
        print(one, file=sys.stderr)
    if weaknesses:
        print("raise them in pyproject.toml, then: make lock", file=sys.stderr)
        return 1
    if not told:
        print(
            f"NOT AUDITED: the package index tells nothing of weaknesses; none of the"
            f" {len(releases)} locked libraries was looked up",
            file=sys.stderr,
        )
    elif told < len(releases):
        print(f"{told} of {len(releases)} locked libraries have no known weakness; of the others")
        print("the package index tells nothing")
    else:
        print(f"none of the {len(releases)} locked libraries has a known weakness")
    return 0


if __name__ == "__main__":
    sys.exit(main())
