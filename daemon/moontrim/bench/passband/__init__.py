"""How flat a receiver is, from a recording of noise."""
