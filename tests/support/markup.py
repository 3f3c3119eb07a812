"""What stands on a page: its forms as they are filled in, and what it says is wrong."""

import re
from html import unescape
from html.parser import HTMLParser

from werkzeug.test import TestResponse


def wrong(answer: TestResponse) -> dict[str, str]:
    """The sentence at each field that is wrong."""
    found = re.findall(r'class="wrong" id="wrong-([\w-]+)">([^<]*)<', answer.text)
    return {field: unescape(sentence) for field, sentence in found}


def summary(answer: TestResponse) -> str:
    """What the notice above the form says is wrong; blank if nothing."""
    found = re.search(r'role="alert">(.*?)</div>', answer.text, flags=re.S)
    return seen(found[1]) if found else ""


def without_help(html: str) -> str:
    """The page without its help, which speaks of what others may do or what may come too."""
    return re.sub(r'<details class="unfolds help">.*?</details>', "", html, flags=re.S)


def seen(html: str) -> str:
    """What people read of some HTML."""
    return " ".join(unescape(re.sub(r"<[^>]+>", " ", html)).split())


class _Fields(HTMLParser):
    def __init__(self, action: str) -> None:
        super().__init__()
        self.action = action
        self.values: dict[str, str] = {}
        self._inside = False
        self._area: str | None = None
        self._select: str | None = None

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given = {name: value or "" for name, value in attrs}
        if tag == "form":
            self._inside = given.get("action") == self.action and given.get("method") == "post"
        name = given.get("name", "")
        if not self._inside or (not name and tag != "option"):
            return
        if tag == "textarea":
            self._area = name
            self.values[name] = ""
        elif tag == "select":
            self._select = name
            self.values[name] = ""
        elif tag == "option" and self._select and "selected" in given:
            self.values[self._select] = given["value"]
        elif tag == "input" and given.get("type") in {"radio", "checkbox"}:
            self.values.setdefault(name, "")
            if "checked" in given:
                self.values[name] = given["value"]
        elif tag == "input":
            self.values[name] = given.get("value", "")
        elif tag == "button":
            self.values.setdefault(name, "")

    def handle_data(self, data: str) -> None:
        if self._inside and self._area:
            self.values[self._area] += data

    def handle_endtag(self, tag: str) -> None:
        if tag == "form":
            self._inside = False
        elif tag == "textarea":
            self._area = None
        elif tag == "select":
            self._select = None


def form_on(html: str, action: str) -> dict[str, str]:
    """The fields of the form that is sent to `action`, as they are filled in on the page."""
    reader = _Fields(action)
    reader.feed(html)
    reader.values.pop("csrf_token", None)
    # A browser sends what stands in a text area without the line end after its tag.
    return {name: value.strip() for name, value in reader.values.items()}


class _Sent(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.forms: list[tuple[str, str, list[str]]] = []
        self._inside = False

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given = {name: value or "" for name, value in attrs}
        if tag == "form":
            self._inside = True
            self.forms.append((given.get("action", ""), given.get("method", "get"), []))
        kind = given.get("type", "text")
        is_sent = tag in {"select", "textarea"} or (
            tag == "input" and (kind not in {"radio", "checkbox", "file"} or "checked" in given)
        )
        if self._inside and is_sent and given.get("name"):
            self.forms[-1][2].append(given["name"])

    def handle_endtag(self, tag: str) -> None:
        if tag == "form":
            self._inside = False


def forms_on(html: str) -> list[tuple[str, str, list[str]]]:
    """Action, method, and the names that a browser sends with each form if nothing is tapped."""
    reader = _Sent()
    reader.feed(html)
    return reader.forms
