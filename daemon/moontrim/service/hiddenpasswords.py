"""The passwords this process has come to know, so that none of them gets into a log. A leaf.

Global, as logging is: whoever reads or makes a password says so here, and knows no log."""

from __future__ import annotations

from urllib.parse import quote

SHOWN_INSTEAD = "(password)"

# Replaced as a whole, never changed: the log reads it from a thread of its own.
_known: tuple[str, ...] = ()


def hide(password: str) -> str:
    """The password itself, from now on kept out of the log."""
    global _known  # noqa: PLW0603 (see above)
    if password:
        forms = {password, quote(password, safe=""), repr(password)[1:-1]}
        # Longest first, lest a part of one leaves the rest of another to be read.
        _known = tuple(sorted({*_known, *forms}, key=len, reverse=True))
    return password


def redacted(text: str) -> str:
    """The text without any password that is known by now."""
    for password in _known:
        text = text.replace(password, SHOWN_INSTEAD)
    return text
