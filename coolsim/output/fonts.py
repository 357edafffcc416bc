"""Fonts for what people name things: ours, and for letters that it lacks, one of those that are installed."""

from __future__ import annotations

import functools
from typing import Any

FONT = "DejaVu Sans"  # comes with matplotlib
BOXES = "Last Resort"  # comes with it too, and has a box for every letter
NO_LETTER = "\N{REPLACEMENT CHARACTER}"


@functools.cache
def families(text: str) -> tuple[tuple[str, ...], str]:
    """Return fonts that together have the letters of a text, and the letters that none of those installed has."""
    from matplotlib import font_manager

    chosen = [FONT]
    ours = font_manager.findfont(FONT)
    lacking = {ord(letter) for letter in text if not letter.isspace()} - _letters(ours)
    if lacking:  # only then: all fonts are opened
        for font in sorted(font_manager.fontManager.ttflist, key=lambda f: (f.name, f.fname)):
            if not font.name.startswith(BOXES) and (found := lacking & _letters(font.fname)):
                chosen.append(font.name)
                lacking -= found
    return tuple(dict.fromkeys(chosen)), "".join(
        letter for letter in dict.fromkeys(text) if ord(letter) in lacking
    )


@functools.cache
def _letters(path: str) -> frozenset[int]:
    """Return the letters of a font that a PDF can hold: one of TrueType outlines, whose `maxp` is of version 1."""
    from matplotlib.ft2font import FT2Font

    try:
        font = FT2Font(path)
        outlines: Any = font.get_sfnt_table("maxp") or {}
        return frozenset(font.get_charmap()) if outlines.get("version", (0, 0))[0] == 1 else frozenset()
    except (OSError, RuntimeError, ValueError):  # no font after all
        return frozenset()


def drawable(text: str) -> str:
    """Return a text in letters that some installed font has."""
    lacking = families(text)[1]
    return "".join(NO_LETTER if letter in lacking else letter for letter in text)
