"""Passwords and PINs: what is taken, how it is kept."""

import pytest
from argon2 import PasswordHasher, extract_parameters
from hypothesis import given
from hypothesis import strategies as st

from tracelog.errors import TracelogError
from tracelog.people import secrets
from tracelog.people.permissions import ROLES


@pytest.mark.parametrize(
    ("secret", "role", "sentence"),
    [
        ("short", "planner", "at least 10 characters"),
        ("402917", "planner", "at least 10 characters"),
        ("", "operator", "PIN of 6 digits or a password"),
        ("40291", "operator", "exactly 6 digits"),
        ("4029171", "operator", "exactly 6 digits"),
        ("111111", "operator", "too easy to guess"),
        ("123456", "operator", "too easy to guess"),
        ("987654", "operator", "too easy to guess"),
        ("aaaaaaaaaaaa", "quality", "at least 4 different"),
        ("my name is Anna", "quality", "holds the account's name"),
        ("x1y2" * 51, "quality", "at most 200"),
        ("٤٠٢٩١٧", "operator", "exactly 6 digits"),
    ],
)
def test_what_is_easy_to_guess_is_refused_with_a_sentence(
    secret: str, role: str, sentence: str
) -> None:
    with pytest.raises(TracelogError, match=sentence) as refused:
        secrets.check_secret(secret, role, "anna")
    assert refused.value.field == "secret"


@pytest.mark.parametrize(
    ("secret", "role"),
    [("402917", "operator"), ("four words and more", "operator"), ("four words", "planner")],
)
def test_what_is_hard_enough_is_taken(secret: str, role: str) -> None:
    secrets.check_secret(secret, role, "anna")
    assert secrets.verify_secret(secret, secrets.hash_secret(secret))


@given(st.text(min_size=10, max_size=200), st.sampled_from(ROLES))
def test_only_our_own_errors_come_out_of_the_check(secret: str, role: str) -> None:
    refused = ""
    try:
        secrets.check_secret(secret, role, "anna")
    except TracelogError as problem:
        refused = problem.sentence
    assert refused or len(set(secret)) >= 4


def test_secrets_are_kept_as_argon2id() -> None:
    kept = secrets.hash_secret("four words and more")
    assert kept.startswith("$argon2id$")
    assert len(kept) <= 200
    parameters = extract_parameters(kept)
    # RFC 9106 section 4, second recommended option: 64 MiB, 3 passes, 4 lanes.
    assert (parameters.memory_cost, parameters.time_cost, parameters.parallelism) == (65536, 3, 4)


def test_a_wrong_secret_an_unknown_name_and_a_broken_hash_are_all_no() -> None:
    kept = secrets.hash_secret("four words and more")
    assert not secrets.verify_secret("four words and mare", kept)
    assert not secrets.verify_secret("four words and more", None)
    assert not secrets.verify_secret("four words and more", "not a hash")


def test_an_unknown_name_costs_a_whole_verification(monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[str] = []

    class Hasher(PasswordHasher):
        def verify(self, hash: str | bytes, password: str | bytes) -> bool:  # noqa: A002
            asked.append(str(hash))
            return super().verify(hash, password)

    secrets._nobodys_hash.cache_clear()
    monkeypatch.setattr(secrets, "_hasher", Hasher(time_cost=1, memory_cost=8, parallelism=1))
    assert not secrets.verify_secret("whatever it is", None)
    assert len(asked) == 1
    assert asked[0].startswith("$argon2id$")
    secrets._nobodys_hash.cache_clear()


def test_a_hash_of_older_parameters_is_told_apart() -> None:
    old = PasswordHasher(time_cost=1, memory_cost=8, parallelism=1).hash("four words and more")
    assert secrets.is_outdated(old)
    assert not secrets.is_outdated(secrets.hash_secret("four words and more"))


def test_tokens_differ_and_only_their_digest_is_alike() -> None:
    first, second = secrets.new_token_secret(), secrets.new_token_secret()
    assert first != second
    assert len(first) > 40
    assert secrets.token_hash(first) == secrets.token_hash(first) != secrets.token_hash(second)
    assert first not in secrets.token_hash(first)
