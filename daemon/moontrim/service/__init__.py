"""moontrim under a service manager: state and watchdog messages to it, the log, the installation.

Knows the daemon only by its snapshots. Without a service manager only the log is used."""
