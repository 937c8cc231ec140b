"""A radio on the semicolon bus, a serial protocol of commands in plain letters."""
