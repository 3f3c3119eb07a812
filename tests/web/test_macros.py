"""The macros that pages are made of: what they write is sound for every reader."""

import re
from collections.abc import Callable
from types import SimpleNamespace

import pytest
from flask import Flask, render_template_string

from tracelog.errors import BadFact, Fault
from tracelog.reference import CAUTION_PLACES
from tracelog.reference import caution as caution_of
from tracelog.web.forms import Form

pytestmark = pytest.mark.parametrize("database_kind", ["sqlite"], indirect=True)
FORMS = (
    '{% from "macros/forms.html" import check, choices, error_summary, field, select, submit,'
    " text_area, token %}"
)
FAULTY = Form({"line": "<3>", "found_at": "necker", "sample": "yes"}).with_problem(
    BadFact((Fault("line", "is not a line & never was"), Fault("", "does not fit")))
)
Write = Callable[..., str]


@pytest.fixture
def write(application: Flask) -> Write:
    """Writes a template of the test's own."""

    def written(template: str, **values: object) -> str:
        with application.test_request_context():
            return render_template_string(template, **values)

    return written


def check_that_ids_are_there(markup: str) -> None:
    ids = re.findall(r'\bid="([^"]+)"', markup)
    assert len(ids) == len(set(ids))
    for names in re.findall(r'(?:aria-describedby|for)="([^"]+)"|href="#([^"]+)"', markup):
        for name in " ".join(names).split():
            assert name in ids


@pytest.mark.parametrize(
    "call",
    [
        'field(form, "line", "Line", hint="Such as 3", inputmode="numeric")',
        'text_area(form, "line", "Line", hint="Such as 3")',
        'select(form, "line", "Line", ["3", ["4", "Line 4"]], hint="One", blank="Choose")',
        'choices(form, "line", "Line", ["3", "4"], hint="One")',
        'check(form, "line", "Line 3")',
    ],
)
@pytest.mark.parametrize("form", [Form(), FAULTY], ids=["good", "faulty"])
@pytest.mark.parametrize("at", ["", "other-"])
def test_every_field_has_its_label_hint_and_fault(
    write: Write, call: str, form: Form, at: str
) -> None:
    call = call[:-1] + f', at="{at}")'
    markup = write(f"{FORMS}{{{{ error_summary(form, at='{at}') }}}}{{{{ {call} }}}}", form=form)
    check_that_ids_are_there(markup)
    assert f'id="field-{at}line"' in markup
    assert ('aria-invalid="true"' in markup) == form.is_faulty
    assert ("is not a line &amp; never was" in markup) == form.is_faulty
    assert "<3>" not in markup


def test_what_was_typed_stays_but_never_a_secret(write: Write) -> None:
    form = Form({"name": 'a"b', "secret": "words"})
    template = FORMS + '{{ field(form, "name", "N") }}{{ field(form, "secret", "S", "password") }}'
    markup = write(template, form=form)
    assert 'value="a&#34;b"' in markup
    assert "words" not in markup


def test_choices_and_ticks_keep_their_state(write: Write) -> None:
    markup = write(
        FORMS + '{{ choices(form, "found_at", "F", ["trimmer", "necker"]) }}'
        '{{ check(form, "sample", "S") }}{{ select(form, "found_at", "G", ["trimmer", "necker"],'
        ' at="x") }}',
        form=FAULTY,
    )
    assert re.findall(r'value="(\w+)" checked', markup) == ["necker", "yes"]
    assert re.findall(r'value="(\w+)" selected', markup) == ["necker"]


CAN = '{% from "macros/can.html" import can_bottom, can_row, can_drawing %}'
MACHINE = SimpleNamespace(line=3, number=7, text="3-7")


@pytest.mark.parametrize("size", [40, 88, 320])
def test_a_can_tells_its_state_by_shape_and_in_words(write: Write, size: int) -> None:
    markup = write(
        CAN + '{{ can_bottom(m, 1.2, notch=true, stopped=true, size=size, href="/x") }}',
        m=MACHINE,
        size=size,
    )
    words = "3-7, 120 % of the service interval used, past its interval, needs attention, stopped"
    assert f'aria-label="{words}"' in markup
    assert f"<title>{words}</title>" in markup
    assert f'width="{size}" height="{size}"' in markup
    for part in ("can-over", "can-notch", "can-ends", "can-stopped"):
        assert part in markup
    caption = markup[markup.index("can-caption") :]
    assert all(word in caption for word in ("3-7", "120", "stopped", "attention"))
    assert markup.count('<a class="can-place" href="/x">') == markup.count("</a>") == 1


def test_a_can_with_nothing_to_tell_tells_nothing(write: Write) -> None:
    markup = write(CAN + "{{ can_bottom(m, caption=false) }}", m=MACHINE)
    assert 'aria-label="3-7"' in markup
    assert "can-unknown" in markup
    for part in ("can-over", "can-notch", "can-ends", "can-stopped", "can-caption", "<a "):
        assert part not in markup


def test_the_pad_shows_what_was_typed_so_far(write: Write) -> None:
    markup = write(CAN + '{{ can_drawing("3", "1?", "3-1?", size=320, id="pad") }}')
    assert 'id="pad"' in markup
    assert ">3</text>" in markup
    assert ">1?</text>" in markup
    empty = write(CAN + '{{ can_drawing("", "<9", "") }}')
    assert ">&lt;9</text>" in empty


@pytest.mark.parametrize(("count", "of"), [(1, "6"), (6, "6"), (8, "8"), (12, "12"), (13, "more")])
def test_a_row_knows_how_many_stand_in_it(write: Write, count: int, of: str) -> None:
    markup = write(CAN + "{% call can_row(n) %}<li></li>{% endcall %}", n=count)
    assert f'data-of="{of}"' in markup


def test_a_table_has_a_name_heads_and_numbers_at_the_right(write: Write) -> None:
    markup = write(
        '{% from "macros/tables.html" import plain_table, paging %}'
        '{{ plain_table("Tools", ["Tool", ["Strokes", "number"]], [["R3 <1>", "81,234"]]) }}'
        '{{ paging() }}{{ paging(earlier="/a") }}'
    )
    assert 'role="region" aria-label="Tools" tabindex="0"' in markup
    assert "<caption>Tools</caption>" in markup
    assert '<th scope="col" class="number">Strokes</th>' in markup
    assert '<th scope="row">R3 &lt;1&gt;</th>' in markup
    assert '<td class="number">81,234</td>' in markup
    assert re.findall(r'rel="(\w+)"', markup) == ["prev"]


@pytest.mark.parametrize("place", CAUTION_PLACES)
def test_a_caution_stands_where_it_belongs_word_for_word(write: Write, place: str) -> None:
    markup = write('{% from "macros/parts.html" import caution %}{{ caution(p) }}', p=place)
    shown = re.sub(r"\s+", " ", markup).replace("&#39;", "'")
    assert caution_of(place).text in shown
    assert 'role="note"' in markup


def test_small_figures_say_what_they_show(write: Write) -> None:
    markup = write(
        '{% from "macros/figures.html" import bars, interval, sparkline %}'
        '{{ sparkline([1, none, 3], "a line") }}{{ bars([1, 2], "bars", texts=["one", "two"],'
        ' marked=[1]) }}{{ interval(1, 2, 9, 4, "a rate") }}'
    )
    assert re.findall(r'role="img" aria-label="([^"]+)"', markup) == ["a line", "bars", "a rate"]
    assert re.findall(r"<title>([^<]+)</title>", markup) == ["one", "two"]
    assert markup.count("is-marked") == 1
    assert "is-beyond" in markup


def test_a_rate_never_stands_without_its_interval(write: Write) -> None:
    markup = write(
        '{% from "macros/parts.html" import rate, empty, fact_list, notice, tag %}'
        '{{ rate(1.234, 0.4, 2.9, "4 in 3.2 M strokes") }}{{ empty("None", "yet", "/log", "Log") }}'
        '{{ fact_list([["Line", "<3>"]]) }}{{ notice("x", urgent=true) }}{{ tag("late", true) }}'
    )
    text = re.sub(r"<[^>]+>", "", markup)
    assert "1.23 (0.400 to 2.90) 4 in 3.2 M strokes" in text
    assert '<a class="button" href="/log">Log</a>' in markup
    assert "<dt>Line</dt><dd>&lt;3&gt;</dd>" in markup
    assert markup.count("is-urgent") == 2
