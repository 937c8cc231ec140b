"""What drivers of radios on a serial port have in common: the port, its name, the exchanges."""
