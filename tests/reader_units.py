"""Whether a printed text speaks its reader's units: those of the other system only behind them, in brackets."""

from __future__ import annotations

import re

_SI = "°C|K|m³/h|m³|kg|kg/h|kg/t|cm|mm|m|m²|m/s|Pa|kPa|kJ|MJ/kg|t/h"
_US = r"°F|cfm|lb|lb/h|in(?=[,.;)]| \()|ft|ft²|ft/min|inH2O|hp|BTU/h|BTU/lb|short ton"
_NUMBERS = r"[-+−]?\d[\d.]*(?: ?(?:to|–) ?[-+−]?\d[\d.]*)?"


def strays(text: str, units: str) -> list[str]:
    """Numbers of the system that the reader did not ask for, each with what stands before it."""
    said = " ".join(text.split())
    said = re.sub(r"\(typed [^()]*\)", "", said)  # the person's own words
    own, other = (_SI, _US) if units == "si" else (_US, _SI)
    said = re.sub(rf"({_NUMBERS} (?:{own})) \({_NUMBERS} (?:{other})\)", r"\1", said)
    found = re.finditer(rf".{{0,40}}?(?<![\w.]){_NUMBERS} ?(?:{other})(?![\w²³/°])", said)
    return [m[0] for m in found]
