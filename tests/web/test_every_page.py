"""Every page that links lead to has a name, one heading and the parts that readers jump to."""

import re

import pytest
from flask import Flask

from tests.support.crawl import look_at_everything
from tests.support.site import Cast, Visit


@pytest.mark.small_plant
@pytest.mark.parametrize("database_kind", ["sqlite"], indirect=True)
def test_every_page_can_be_found_one_s_way_in(application: Flask, visit: Visit, cast: Cast) -> None:
    cast.sign_in(visit, "administrator")
    faults, names = [], set()
    for seen in look_at_everything(application, visit, each=2):
        if seen.answer.mimetype != "text/html" or seen.answer.status_code != 200:
            continue
        page = seen.answer.text
        names.add(seen.endpoint)
        title = re.search(r"<title>\s*(\S.*?) · tracelog</title>", page)
        parts = {
            "a title": title is not None,
            "one h1": len(re.findall(r"<h1\b", page)) == 1,
            "a main part": page.count('<main id="content"') == 1,
            "a language": '<html lang="en"' in page,
            "a way past the navigation": 'href="#content"' in page,
            "a navigation": page.count('<nav class="rail"') == 1,
            "no inline script": not re.search(r"<script\b(?![^>]*\bsrc=)", page),
            "no inline style": not re.search(r"<style\b|<[a-z][^>]*\sstyle=", page),
        }
        faults += [f"{seen.address} lacks {part}" for part, has in parts.items() if not has]
    assert len(names) >= 4
    assert not faults, "\n".join(faults)
