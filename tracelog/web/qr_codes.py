"""QR codes for paper (ISO/IEC 18004), as SVG that stands in the page."""

import segno
from markupsafe import Markup


def qr_code(text: str) -> Markup:
    """A QR code of a text, black on white with the quiet zone of four modules.

    Damage is corrected up to a quarter of the code (level Q): tags get wet and torn.

    Args:
        text: at most a few hundred characters; others than those of Latin-1 are written in UTF-8.

    Returns:
        An ``svg`` element without a size of its own: the style sheet gives it one.
    """
    code = segno.make(text, micro=False, error="q")
    drawn = code.svg_inline(
        border=4, light="#fff", dark="#000", omitsize=True, svgclass="qr", lineclass=None
    )
    return Markup(drawn.replace("<svg ", '<svg aria-hidden="true" focusable="false" ', 1))  # noqa: S704 - made here
