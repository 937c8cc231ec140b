"""A GPS receiver as a witness: of where home is, and of what time it is."""
