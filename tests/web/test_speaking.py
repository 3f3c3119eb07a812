"""How a tag of a browser leads to one of our languages."""

from tracelog.web.speaking import language_of_tag


def test_tags_of_any_country_lead_to_the_language_there_is() -> None:
    assert [language_of_tag(tag) for tag in ("es-AR", "PT-pt", "en_US", "xx")] == [
        "es",
        "pt_BR",
        "en",
        None,
    ]
