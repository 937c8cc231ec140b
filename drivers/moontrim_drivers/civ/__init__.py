"""A radio on the addressed binary bus, a framed serial protocol that several radios can share."""
