"""The 1 Hz loop: the plan of each second, and what changes it."""
