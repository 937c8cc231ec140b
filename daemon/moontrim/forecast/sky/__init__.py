"""What adds noise to a signal or weakens it: galaxy, Sun, atmosphere, distance, scattering; and the
safe distance from the beam."""
