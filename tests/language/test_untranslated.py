"""Nothing on a page is said in English alone."""

from collections.abc import Iterator
from pathlib import Path

import pytest
from sqlalchemy import Engine

from tests.bench.pages import visitor
from tests.bench.sheet_pages import HEADER
from tests.language.leftovers import Bracketing, bracketed, data_of, leftovers, outside, shape
from tests.support.messages import extracted
from tracelog import locales, reference
from tracelog.trends.measured.pasted import COLUMNS

# Pages that show what was kept as it was said then, and keep it in the language of the records.
AS_KEPT = {
    "Health": "names, versions and sizes of programs, disks and tables, the same everywhere",
    "Audit trail": "what was done, in the words of the record",
    "Audit record": "what was done, in the words of the record",
    "Spreadsheet: its rows": "what is wrong is kept as it was said to whoever looked at the rows",
    "Case: explained then and now": "what explained it is kept as it was at its opening",
}
# Names and signs that are the same in every language.
SAME = (
    *("tracelog", "localhost"),
    *("CSV", "XLSX", "JSON", "JPEG", "MQTT", "OPC UA", "OpenAPI", "PIN"),
    *("mm", "mg", "mA", "psi", "min", "II", "III", "µm"),
    ", ".join(COLUMNS),
    *(one.own_name for one in locales.LANGUAGES.values()),
)


def _typed() -> Iterator[str]:
    """Words that are shown as they are to be typed: machines, and codes behind their names."""
    yield from (f"# {one.station} #" for one in reference.stations())
    yield from (f"({one.tool_type})" for one in reference.tool_types())


def test_brackets_stand_round_words_and_not_round_fields() -> None:
    assert bracketed("%(count)d cans, %(at)s") == "%(count)d⟦ cans, ⟧%(at)s"
    assert bracketed("{cans} of them, 95 %%") == "{cans}⟦ of them, 95 ⟧%%"
    assert bracketed("3-7") == "3-7"


def test_what_was_never_given_to_be_translated_is_found() -> None:
    page = (
        '<h1 title="Machine">⟦Machine ⟧3-7</h1><p>⟦Kept by⟧ <bdi>Anna</bdi> sooner</p>'
        '<p>coil WB047085 ⟦on⟧ line 3</p><code>GET</code><img alt="⟦a can⟧">'
    )
    assert [*leftovers(page, {"coil WB#"})] == ["Machine", "sooner", "coil WB047085 ⟦on⟧ line 3"]
    assert [*leftovers("<p>coil WB12, ⟦on⟧ 3</p>", {"coil WB#"})] == []
    assert outside("⟦a ⟦b⟧ c⟧ d") == "d"
    assert shape("R3-0328 at 10,5") == "R#-# at #"


@pytest.mark.small_plant
@pytest.mark.parametrize("database_kind", ["sqlite"], indirect=True)
@pytest.mark.usefixtures("clock")
def test_no_page_says_a_word_in_english_alone(
    own_engine: Engine, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    words = {str(message.id) for message in extracted() if message.id}
    visit, addresses = visitor(own_engine, tmp_path)
    visit.get("/me")
    assert visit.post("/language", language="es").status_code == 303
    data = data_of(own_engine, words) | {
        *SAME,
        *HEADER,
        *locales.signs("es").months_short,
        *_typed(),
    }
    monkeypatch.setattr("tracelog.language.catalogue", lambda _language: Bracketing(words))
    found: dict[str, str] = {}
    for name, address in addresses.items():
        answer = visit.get(address)
        assert answer.status_code == 200, (name, answer.text[-500:])
        if answer.mimetype == "text/html" and name not in AS_KEPT:
            assert '<html lang="es"' in answer.text
            for text in leftovers(answer.text, data):
                found.setdefault(text, name)
    assert not found, "\n".join(f"{name}: {text}" for text, name in found.items())
