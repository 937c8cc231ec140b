"""The composition root, and what wires keying and whereabouts to it."""
