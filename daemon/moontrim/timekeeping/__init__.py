"""How far the machine's clock can be trusted: what keeps it right says so, and without that there
is no transmitting."""
