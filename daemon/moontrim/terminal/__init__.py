"""Words and numbers on a terminal."""
