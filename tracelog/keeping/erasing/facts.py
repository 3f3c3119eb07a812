"""Whose name is to be erased, as the API takes it."""

from typing import ClassVar

from tracelog.facts import Fact, Name


class ErasureFact(Fact):
    """A person whose name is to be erased."""

    key_fields: ClassVar[tuple[str, ...]] = ("name",)

    name: Name
