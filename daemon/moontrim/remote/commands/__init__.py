"""What a phone may ask, and whether it is done."""
