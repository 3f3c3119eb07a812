"""The locks hold everything that is installed, and say nothing of where it comes from."""

import re
import tomllib

import pytest
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

from tests.support import tree

LOCKS = ("requirements.lock", "requirements-test.lock")
PROJECT = tomllib.loads((tree.ROOT / "pyproject.toml").read_text(encoding="utf-8"))
GROUPS = PROJECT["dependency-groups"]
NEEDED = {
    "requirements.lock": [*PROJECT["project"]["dependencies"], *GROUPS["build"]],
    "requirements-test.lock": [
        *PROJECT["project"]["dependencies"],
        *(need for group in GROUPS.values() for need in group),
    ],
}


def _locked(lock: str) -> dict[str, list[Requirement]]:
    """Each locked library with its versions: more than one where systems differ."""
    joined = (tree.ROOT / lock).read_text(encoding="utf-8").replace("\\\n", " ")
    found: dict[str, list[Requirement]] = {}
    for line in joined.splitlines():
        if line.strip() and not line.lstrip().startswith("#"):
            requirement = Requirement(re.split(r"\s--hash=", line)[0])
            found.setdefault(canonicalize_name(requirement.name), []).append(requirement)
    return found


@pytest.mark.parametrize("lock", LOCKS)
def test_a_lock_names_no_place_to_fetch_from(lock: str) -> None:
    text = (tree.ROOT / lock).read_text(encoding="utf-8")
    assert not re.findall(r".*(?:://|--index|--extra|--find|file:| @ |\.whl).*", text)


@pytest.mark.parametrize("lock", LOCKS)
def test_a_lock_has_a_hash_for_everything(lock: str) -> None:
    entries = (tree.ROOT / lock).read_text(encoding="utf-8").replace("\\\n", " ").splitlines()
    bare = [
        entry
        for entry in entries
        if entry.strip() and not entry.lstrip().startswith("#") and "--hash=sha256:" not in entry
    ]
    assert not bare


@pytest.mark.parametrize("lock", LOCKS)
def test_a_lock_holds_every_dependency(lock: str) -> None:
    locked = _locked(lock)
    for text in NEEDED[lock]:
        need = Requirement(text)
        versions = locked.get(canonicalize_name(need.name))
        assert versions, f"{need.name} is not in {lock}: run make lock"
        for version in versions:
            (pin,) = version.specifier
            assert need.specifier.contains(pin.version), f"{lock} has {version}: run make lock"


def test_both_locks_choose_the_same_versions() -> None:
    testing = {
        name: {str(one) for one in versions}
        for name, versions in _locked("requirements-test.lock").items()
    }
    for name, versions in _locked("requirements.lock").items():
        assert {str(one) for one in versions} == testing[name]
