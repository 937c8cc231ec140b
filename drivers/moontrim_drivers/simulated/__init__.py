"""A radio in memory, with the bad habits of real ones, and its wires."""
