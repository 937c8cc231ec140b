"""What adds noise or takes signal away: galaxy, Sun, atmosphere, distance, scattering."""
