"""Output for a person at a terminal: the live panel, the log line, the report on a path."""
