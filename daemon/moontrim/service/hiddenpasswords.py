"""The passwords that this process has read or made, so that none of them gets into a log.

Global, as logging is: code that reads or makes a password registers it here with `hide`."""

from __future__ import annotations

from urllib.parse import quote

SHOWN_INSTEAD = "(password)"

# Replaced as a whole, never changed in place: the thread of the log reads it.
_known: tuple[str, ...] = ()


def hide(password: str) -> str:
    """Registers a password, so that it does not appear in the log, and returns it."""
    global _known  # noqa: PLW0603 (see above)
    if password:
        forms = {password, quote(password, safe=""), repr(password)[1:-1]}
        # Longest first: replacing a shorter one would leave the rest of a longer one readable.
        _known = tuple(sorted({*_known, *forms}, key=len, reverse=True))
    return password


def redacted(text: str) -> str:
    """Returns the text without any password that is registered by now."""
    for password in _known:
        text = text.replace(password, SHOWN_INSTEAD)
    return text
