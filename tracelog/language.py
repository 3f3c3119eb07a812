"""Translation of every sentence a user can read.

Pages translate into the language of the request, commands into English; both call `_`.
Sentences carry their values as named fields: ``_("line %(line)d is not known", line=9)``.
"""

from typing import Any


def _(sentence: str, /, **values: Any) -> str:
    """Translate `sentence` where a request says into which language, and fill in `values`."""
    # Imported here, so that commands and numerics do not load the web framework.
    import sys

    if "flask" in sys.modules:
        from flask import has_request_context

        if has_request_context():
            from flask_babel import gettext

            return str(gettext(sentence, **values))
    return sentence % values if values else sentence
