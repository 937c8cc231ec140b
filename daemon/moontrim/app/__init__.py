"""The composition root, and what connects keying, home and warnings to the rest."""
