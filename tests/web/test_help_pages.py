"""Every page has its help, written for this page alone."""

import re
from pathlib import Path

import pytest
from sqlalchemy import Engine

from tests.bench.pages import visitor
from tests.support.markup import seen
from tests.support.site import Visit
from tracelog.paths import templates_folder
from tracelog.web.help_pages import FOLDER

# What a sentence of help may have, so that it is read.
MOST_WORDS = 200
EXTENDS = '{% extends "layout.html" %}'


def _pages() -> set[str]:
    folder = templates_folder()
    return {
        path.relative_to(folder).as_posix()
        for path in folder.rglob("*.html")
        if EXTENDS in path.read_text(encoding="utf-8")
    }


def _helped() -> dict[str, str]:
    folder = Path(templates_folder()) / FOLDER
    return {
        path.relative_to(folder).as_posix(): path.read_text(encoding="utf-8")
        for path in folder.rglob("*.html")
    }


def test_every_template_of_a_page_has_help_and_no_help_is_left_over() -> None:
    assert len(_pages()) > 50
    assert _pages() == set(_helped())


def test_no_two_pages_share_their_help() -> None:
    first = {name: text.split('_("')[1].split('")')[0] for name, text in _helped().items()}
    assert len(set(first.values())) == len(first)


def test_all_help_is_translated_and_short_enough_to_be_read() -> None:
    for name, text in _helped().items():
        sentences = re.findall(r'_\("([^"]*)"\)', text)
        assert sentences, name
        left = re.sub(r'_\("[^"]*"\)|\{[%#].*?[%#]\}', "", text)
        assert not re.search(r"[A-Za-z]", left.replace("told", "")), name
        assert len(" ".join(sentences).split()) <= MOST_WORDS, name


@pytest.mark.small_plant
@pytest.mark.parametrize("database_kind", ["sqlite"], indirect=True)
def test_every_page_that_answers_a_look_shows_its_help(own_engine: Engine, tmp_path: Path) -> None:
    visit, addresses = visitor(own_engine, tmp_path)
    without = []
    shown = 0
    for address in addresses.values():
        answer = visit.get(address)
        if answer.mimetype != "text/html" or answer.status_code != 200:
            continue
        if address.startswith("/wall/"):  # nobody stands before it who could unfold anything
            continue
        shown += 1
        found = re.findall(r'<details class="unfolds help">(.*?)</details>', answer.text, re.S)
        if len(found) != 1 or len(seen(found[0]).split()) < 20:
            without.append(address)
    assert shown > 50
    assert not without


@pytest.mark.parametrize("database_kind", ["sqlite"], indirect=True)
def test_a_page_that_says_what_is_wrong_has_help_too(visit: Visit) -> None:
    visit.get("/sign-in")
    answer = visit.post("/sign-in", name="nobody", secret="of no use")
    assert answer.status_code >= 400
    assert '<details class="unfolds help">' in answer.text
