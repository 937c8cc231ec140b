"""The frequency of a weak carrier in a recording, with its error bound."""
