"""moontrim under a service manager: telling it how we are, the log, and putting it in place.

Knows the daemon only by its snapshots. Nothing here is needed to run in a terminal."""
