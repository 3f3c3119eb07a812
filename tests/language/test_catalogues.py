"""Each language says all that the pages say, and says it with the same values."""

import re

import pytest
from babel.messages import Catalog

from tests.support.messages import brought_up_to_date, extracted, translated
from tracelog.catalogues import TRANSLATED, catalogue, catalogue_file
from tracelog.locales import ENGLISH, LANGUAGES

FIELD = re.compile(r"%\(\w+\)[-+ #0]*\d*(?:\.\d+)?[a-zA-Z]|%%|\{\w+\}")
TAG = re.compile(r"</?[a-zA-Z][^<>]*>")
# How many are shown of a list of faults, so that it can be read.
SHOWN = 20


@pytest.fixture(scope="module")
def said() -> Catalog:
    return extracted()


def unlike(said: str, translation: str) -> str | None:
    """What a translation has otherwise than its sentence beside the words; None: nothing."""
    for what, pattern in (("fields", FIELD), ("tags", TAG)):
        wanted, found = sorted(pattern.findall(said)), sorted(pattern.findall(translation))
        if wanted != found:
            return f"{what} {wanted} became {found}"
    for what, edge in (("begin", re.compile(r"^\s*")), ("end", re.compile(r"\s*$"))):
        if edge.findall(said)[0] != edge.findall(translation)[0]:
            return f"they {what} with other blanks"
    return None


def _listed(faults: list[str]) -> str:
    more = len(faults) - SHOWN
    return "\n".join([*faults[:SHOWN], *([f"and {more} more"] if more > 0 else [])])


def test_every_language_but_english_has_a_catalogue() -> None:
    assert set(TRANSLATED) == set(LANGUAGES) - {ENGLISH}


def test_pages_templates_and_reference_data_are_gathered(said: Catalog) -> None:
    assert len(said) > 4000
    for sentence in (
        "Until the counts of a line are known, the sequence check weighs every N alike.",
        "'%(text)s' is not a number; write one such as 0.65",
        "burr or hair at the trim edge",
        "The knives are dull",
        "hold stock",
        "Seen at",
        "9 in a row on one side",
    ):
        assert sentence in said


@pytest.mark.parametrize("language", TRANSLATED)
def test_every_sentence_is_translated(said: Catalog, language: str) -> None:
    known = translated(language)
    blank = [
        str(message.id)
        for message in said
        if message.id and not (known.get(message.id) and known[message.id].string)
    ]
    unsure = [str(message.id) for message in known if message.id and message.fuzzy]
    assert not blank, f"make messages, then translate into {language}:\n{_listed(blank)}"
    assert not unsure, f"say whether these are right:\n{_listed(unsure)}"


@pytest.mark.parametrize("language", TRANSLATED)
def test_a_translation_has_the_fields_tags_and_edges_of_its_sentence(language: str) -> None:
    faults = [
        f"{message.id!r}: {fault}"
        for message in translated(language)
        if message.id and message.string and (fault := unlike(str(message.id), str(message.string)))
    ]
    assert not faults, _listed(faults)


@pytest.mark.parametrize(
    ("said_so", "translation"),
    [
        ("%(count)d cans", "latas"),
        ("%(count)d cans", "%(cans)d latas"),
        ("%(count)d cans", "%(count)s latas"),
        ("95 %% interval", "intervalo del 95 %"),
        ("<b>now</b>", "ahora"),
        ("Discard {entry}?", "¿Descartar?"),
        (" at most", "como máximo"),
    ],
)
def test_what_a_translation_lost_is_seen(said_so: str, translation: str) -> None:
    assert unlike(said_so, translation) is not None


@pytest.mark.parametrize("language", TRANSLATED)
def test_a_catalogue_holds_what_is_said_and_nothing_else(said: Catalog, language: str) -> None:
    is_kept = catalogue_file(language).read_bytes()
    assert is_kept == brought_up_to_date(translated(language), said), "make messages"


def test_a_sentence_that_is_gone_is_dropped_and_a_new_one_comes_in_blank() -> None:
    old, now = Catalog(locale="es"), Catalog()
    old.add("kept", "queda")
    old.add("gone", "ya no")
    now.add("kept")
    now.add("new")
    text = brought_up_to_date(old, now).decode()
    assert 'msgid "kept"\nmsgstr "queda"' in text
    assert 'msgid "new"\nmsgstr ""' in text
    assert "gone" not in text


@pytest.mark.parametrize("language", TRANSLATED)
def test_a_catalogue_is_read_as_it_was_written(language: str) -> None:
    known = catalogue(language)
    for message in translated(language):
        if message.id and message.string:
            assert known.gettext(str(message.id)) == message.string


def test_english_has_no_translations() -> None:
    assert catalogue(ENGLISH).gettext("Floor") == "Floor"
