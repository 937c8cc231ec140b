"""Every table of the config file. The parts read theirs from here."""
