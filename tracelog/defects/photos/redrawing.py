"""A picture drawn anew from its pixels, so that nothing of the file that was sent is kept.

It was read part by part before and its size is known, so that it fits in memory. Which side is up
is drawn, too, and no longer told beside the pixels.
"""

import io
import warnings

from tracelog.defects.photos.parts import BadPicture

# Of JPEG, and of WebP with loss: what the eye does not tell from what was sent. Common practice,
# no source.
QUALITY = 92
_LOSSLESS = b"VP8L"
# What each format keeps as it is; other ways of colour become the last of them.
_MODES = {
    "JPEG": ("L", "RGB"),
    "PNG": ("1", "L", "LA", "P", "RGBA", "I;16", "RGB"),
    "WEBP": ("RGBA", "RGB"),
}


def redrawn(content: bytes, kind: str) -> tuple[bytes, int, int]:
    """The same picture decoded and encoded anew, its width and its height in pixels.

    Args:
        content: cleaned, of a size that may be kept.
        kind: ``JPEG``, ``PNG`` or ``WEBP``, which stays.

    Raises:
        BadPicture: it cannot be decoded.
    """
    from PIL import Image, ImageOps

    held = io.BytesIO()
    try:
        with warnings.catch_warnings():
            # A picture that only decodes with a warning is not sound.
            warnings.simplefilter("error")
            with Image.open(io.BytesIO(content), formats=[kind]) as image:
                image.load()
                upright = ImageOps.exif_transpose(image)
                known = _MODES[kind]
                if upright.mode not in known:
                    has_alpha = upright.has_transparency_data and "RGBA" in known
                    upright = upright.convert("RGBA" if has_alpha else known[-1])
                # A new picture of the pixels alone: what else was read with it stays behind.
                plain = upright.copy()
                transparent = plain.info.get("transparency")
                plain.info = {} if transparent is None else {"transparency": transparent}
                plain.save(held, kind, **_options(kind, content))
                width, height = plain.size
    except (OSError, ValueError, SyntaxError, EOFError, Warning, MemoryError) as problem:
        raise BadPicture("it cannot be decoded") from problem
    return held.getvalue(), width, height


def _options(kind: str, content: bytes) -> dict[str, object]:
    if kind == "JPEG":
        return {"quality": QUALITY}
    if kind == "WEBP":
        return {"lossless": True} if _LOSSLESS in content[:40] else {"quality": QUALITY}
    return {}
