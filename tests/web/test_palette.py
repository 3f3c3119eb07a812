"""Colours: contrast of WCAG 2.2 AA, light and dark, computed from the style sheet itself."""

import re

import pytest

from tracelog.web.assets import FOLDER

SHEET = (FOLDER / "palette.css").read_text(encoding="utf-8")
TEXT, PART = 4.5, 3.0
# What stands on what, and the ratio it needs: 1.4.3 for text, 1.4.11 for parts that carry meaning.
PAIRS = [
    *(("ink", ground, TEXT) for ground in ("sheet", "panel", "raised", "dome", "accent-wash")),
    *(("ink-soft", ground, TEXT) for ground in ("sheet", "panel", "raised", "dome")),
    *(("accent", ground, TEXT) for ground in ("sheet", "panel", "raised", "accent-wash", "dome")),
    ("on-rail", "rail", TEXT),
    ("on-rail-soft", "rail", TEXT),
    ("rail-accent", "rail", PART),
    ("on-button", "button", TEXT),
    ("on-accent", "accent", TEXT),
    ("button", "sheet", PART),
    ("button", "panel", PART),
    *(("edge", ground, PART) for ground in ("sheet", "panel", "raised", "dome")),
    # The used part of the ring is told from the rest of it.
    ("ink", "metal", PART),
    ("accent", "metal", PART),
]
OKABE_ITO = {
    "#000000", "#e69f00", "#56b4e9", "#009e73", "#f0e442", "#0072b2", "#d55e00", "#cc79a7",
}  # fmt: skip


def colours(selector: str) -> dict[str, str]:
    """The named colours of one rule of the style sheet."""
    block = re.search(re.escape(selector) + r"\s*\{(.*?)\}", SHEET, re.DOTALL)
    assert block, selector
    return dict(re.findall(r"--([a-z0-9-]+):\s*(#[0-9a-f]{6});", block[1]))


LIGHT = colours(":root")
DARK = LIGHT | colours(':root[data-look="dark"]')


def luminance(colour: str) -> float:
    """Relative luminance (WCAG 2.2, definition; sRGB)."""
    parts = [int(colour[place : place + 2], 16) / 255 for place in (1, 3, 5)]
    linear = [
        part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts
    ]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one: str, other: str) -> float:
    """Contrast ratio (WCAG 2.2, definition)."""
    light, dark = sorted((luminance(one), luminance(other)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def test_the_formula_gives_the_known_ratios() -> None:
    assert contrast("#000000", "#ffffff") == pytest.approx(21)
    assert contrast("#777777", "#ffffff") == pytest.approx(4.48, abs=0.005)


@pytest.mark.parametrize("palette", [LIGHT, DARK], ids=["light", "dark"])
@pytest.mark.parametrize(("front", "ground", "needed"), PAIRS)
def test_contrast_is_enough(
    palette: dict[str, str], front: str, ground: str, needed: float
) -> None:
    assert contrast(palette[front], palette[ground]) >= needed


def test_dark_is_the_same_whether_chosen_or_asked_for_by_the_device() -> None:
    assert colours(':root:not([data-look="light"])') == colours(':root[data-look="dark"]')


def test_the_series_are_the_published_ones() -> None:
    series = {LIGHT[f"series-{number}"] for number in range(1, 9)}
    assert series == OKABE_ITO


def test_text_is_never_smaller_than_the_readers_own_and_nothing_moves() -> None:
    sheets = sorted(FOLDER.glob("*.css"))
    assert len(sheets) >= 5
    for path in sheets:
        sheet = path.read_text(encoding="utf-8")
        sizes = re.findall(r"font-size:\s*([0-9.]+)(rem|%)", sheet)
        small = [size + unit for size, unit in sizes if float(size) < (1 if unit == "rem" else 100)]
        assert not small, path.name
        assert not re.search(r"@keyframes|transition:|@import|url\(", sheet)
