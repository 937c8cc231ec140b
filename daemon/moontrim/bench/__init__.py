"""Measurements of a radio from a sound recording: its passband, and the frequency of a tone.

Nothing in this room knows the daemon, the clock or a radio. Input and output are at its edges:
`recording` reads a file, `soundcard` a sound card, `configedit` writes a value to the config, and
the two modules `picture` write a picture."""
