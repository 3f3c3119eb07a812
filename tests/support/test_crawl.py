"""The walk through the pages goes where the links lead."""

from flask import Flask, redirect
from werkzeug.wrappers import Response

from tests.support.crawl import links_of, look_at_everything
from tests.support.site import Visit


def test_links_are_those_on_this_site_without_fragments() -> None:
    markup = """<a href="/log#last">x</a> <a href="?by=line">y</a> <a href="tel:1">z</a>
        <a href="//plant.example/">w</a> <form action="/find"></form>
        <form action="/save" method="post"></form><script src="/a.js"></script>"""
    assert links_of(markup, "/floor") == ["/log", "/floor?by=line", "/find", "/a.js"]


def test_everything_is_looked_at_but_not_endlessly() -> None:
    app = Flask("walk")

    @app.get("/")
    def first() -> str:
        return '<a href="/cans/1">a can</a> <a href="/old">old</a> <a href="/gone">gone</a>'

    @app.get("/old")
    def old() -> Response:
        return redirect("/new")

    @app.get("/new")
    def new() -> str:
        return "new"

    @app.get("/cans/<int:number>")
    def can(number: int) -> str:
        return f'<a href="/cans/{number + 1}">next</a>'

    seen = list(look_at_everything(app, Visit(app.test_client()), each=2))
    assert {(one.address, one.led_by, one.endpoint, one.answer.status_code) for one in seen} == {
        ("/", "", "first", 200),
        ("/cans/1", "/", "can", 200),
        ("/cans/2", "/cans/1", "can", 200),
        ("/old", "/", "old", 302),
        ("/new", "/old", "new", 200),
        ("/gone", "/", None, 404),
    }
