"""Words compared as people mean them."""

from __future__ import annotations


def folded(text: str) -> str:
    """Return a name without the differences that nobody means: case, and blanks of every kind."""
    return " ".join(text.replace("\ufeff", "").split()).casefold()
