"""What a process says: a line for each event, as JSON or for eyes, without values of rows."""

import json
import logging

import pytest

from tracelog.errors import TracelogError
from tracelog.logs import begin_logging, bind, release, tell, without_values


def test_values_that_libraries_quote_are_cut_out() -> None:
    text = "UNIQUE\n[SQL: INSERT]\n[parameters: ('somebody', 'x')]\n(Background: y)"
    assert without_values(text) == "UNIQUE\n[SQL: INSERT]\n(Background: y)"
    said = "Input should be a number [type=float, input_value='somebody', input_type=str]"
    assert without_values(said) == said.replace("'somebody'", "")


def test_lines_for_eyes_and_words_that_are_wrong(capsys: pytest.CaptureFixture[str]) -> None:
    root, ours = logging.getLogger(), logging.getLogger("tracelog")
    levels = root.level, ours.level
    try:
        begin_logging("warning", "text", service=True)
        log = logging.getLogger("tracelog.tests")
        token = bind(request_id="12")
        tell(log, logging.INFO, "not told")
        tell(log, logging.WARNING, "told", count=3, nothing=None)
        release(token)
        begin_logging("info", None, service=True)
        tell(log, logging.INFO, "as json", count=4)
        begin_logging("info", None, service=False)
        tell(log, logging.INFO, "again for eyes")
        first, second, third = capsys.readouterr().err.splitlines()
        assert first.endswith(" warning: told request_id=12 count=3")
        assert {"event": "as json", "count": 4, "level": "info"}.items() <= json.loads(
            second
        ).items()
        assert third.endswith(" info: again for eyes")
        with pytest.raises(TracelogError, match="write one of: debug"):
            begin_logging("loud", None, service=True)
        with pytest.raises(TracelogError, match="write one of: auto"):
            begin_logging(None, "xml", service=True)
    finally:
        for handler in [one for one in root.handlers if type(one).__name__ == "_OnStderr"]:
            root.removeHandler(handler)
        root.setLevel(levels[0])
        ours.setLevel(levels[1])
