"""Bench: what a sound recording tells about a radio.

Reads recordings and measures them: the pass band, a tone. Everything here is pure but for reading
the file; nothing knows the daemon, the clock or a radio."""
