"""What the bar code on the label of a lead or generator says. Pure.

GS1 General Specifications, application identifiers: 01 GTIN (the device identifier of a UDI), 10 lot, 11 production
date, 17 expiry, 21 serial number. Parsed by ``biip``; codes of other agencies are kept as the scanner typed them.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

import biip

LONGEST = 200
# Scanners that cannot type the separator (ASCII 29) are commonly set to type one of these instead.
_SEPARATORS = ["\x1d", "~", "^", "{GS}"]


@dataclass(frozen=True)
class Label:
    """What a label says; every part may be missing."""

    device_identifier: str = ""
    lot: str = ""
    serial_number: str = ""
    made_on: dt.date | None = None
    expires_on: dt.date | None = None


def read_label(text: str) -> Label:
    """Read what a scanner typed; text that is no GS1 code is taken as a serial number as printed.

    Parameters
    ----------
    text
        As typed, with or without a symbology identifier such as ``]d2`` and brackets about application identifiers.

    Raises
    ------
    ValueError
        When the code's own check digit shows that it was misread.
    """
    typed = text.strip()
    plain = _without_brackets(typed)
    for separator in _SEPARATORS:
        message = _message(plain.replace(separator, "\x1d"))
        if message is not None:
            found = {element.ai.ai: element for element in message.element_strings}
            if "01" not in found:
                break
            if found["01"].gtin is None:
                raise ValueError("The check digit is wrong, so the code was misread. Scan it again.")
            return Label(
                device_identifier=found["01"].value,
                lot=found["10"].value if "10" in found else "",
                serial_number=found["21"].value if "21" in found else "",
                made_on=found["11"].date if "11" in found else None,
                expires_on=found["17"].date if "17" in found else None,
            )
    return Label(serial_number=typed)


def _message(text: str) -> biip.gs1_messages.GS1Message | None:
    try:
        return biip.parse(text).gs1_message
    except biip.ParseError:
        return None


def _without_brackets(text: str) -> str:
    """Turn the printed form ``(01)…(21)…`` into the scanned one."""
    if not text.startswith("("):
        return text
    parts = [part.partition(")") for part in text.split("(")[1:]]
    return "\x1d".join(identifier + value for identifier, _, value in parts)
