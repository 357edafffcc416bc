"""Text that a terminal shows as it stands: what would move its cursor, colour it or turn its order is escaped."""

from __future__ import annotations

import re

# Control characters but tab and line feed, line separators, the nine that turn the direction of text
# (Unicode 15, UAX #9), and lone surrogates: bytes of a file name that is not UTF-8 (PEP 383).
HIDDEN = re.compile("[\x00-\x08\x0b-\x1f\x7f-\x9f\u2028\u2029\u202a-\u202e\u2066-\u2069\ud800-\udfff]")
_BYTE = range(0xDC80, 0xDD00)
_ASCII = str.maketrans(
    {
        "°": "deg",
        "±": "+/-",
        "–": "-",
        "…": "...",
        "²": "2",
        "³": "3",
        "≤": "<=",
        "µ": "u",
        "×": "x",
        "·": "*",
        "−": "-",
        "’": "'",
        "ρ": "rho",
        "→": "->",
    }
)


def visible(text: str) -> str:
    r"""Return `text` with what a terminal would obey, or cannot write, as an escape.

    >>> visible("pig\x1b[2J, m\udcfchle")
    'pig\\x1b[2J, m\\xfchle'
    """
    return HIDDEN.sub(_escape, text)


def one_line(text: str) -> str:
    r"""Return `text` visible and on one line.

    >>> one_line("a\nb")
    'a\\nb'
    """
    return visible(text).replace("\n", "\\n").replace("\t", "\\t")


def plain(text: str, encoding: str) -> str:
    """Return `text` visible, and in characters that `encoding` can hold."""
    text = visible(text)
    try:
        text.encode(encoding)
        return text
    except (UnicodeEncodeError, LookupError):
        return text.translate(_ASCII).encode("ascii", "replace").decode()


def _escape(match: re.Match[str]) -> str:
    code = ord(match[0])
    if code in _BYTE:
        code -= 0xDC00
    return f"\\x{code:02x}" if code < 0x100 else f"\\u{code:04x}"
