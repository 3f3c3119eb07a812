"""The catalogues of translations, read from their text files when a language is first asked for.

A catalogue is `tracelog/translations/<language>/LC_MESSAGES/messages.po`, the text file of GNU
gettext. It is compiled in memory, once in each process, in a quarter of a second: there is no
second, compiled file that could differ from it, and nothing to build before the pages run.
"""

from functools import cache
from gettext import GNUTranslations, NullTranslations
from io import BytesIO
from pathlib import Path

from tracelog.paths import translations_folder

# The languages besides English, in which the sentences of the code are written.
TRANSLATED = ("es", "pt_BR")


def catalogue_file(language: str) -> Path:
    """The text file with the translations into one of `TRANSLATED`."""
    return translations_folder() / language / "LC_MESSAGES" / "messages.po"


@cache
def catalogue(language: str) -> NullTranslations:
    """The translations into a language; none for English, nor for any not in `TRANSLATED`."""
    if language not in TRANSLATED:
        return NullTranslations()
    # Imported here, so that commands, which speak English, do not load them.
    from babel.messages.mofile import write_mo
    from babel.messages.pofile import read_po

    with catalogue_file(language).open("rb") as file:
        sentences = read_po(file, locale=language)
    compiled = BytesIO()
    write_mo(compiled, sentences)
    compiled.seek(0)
    return GNUTranslations(compiled)
