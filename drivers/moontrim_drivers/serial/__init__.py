"""What serial buses have in common: the port, its name, the exchange of frames."""
