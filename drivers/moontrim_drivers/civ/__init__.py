"""A framed serial bus that several radios share."""
