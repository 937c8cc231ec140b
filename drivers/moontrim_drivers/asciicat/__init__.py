"""A serial protocol of commands in plain letters."""
