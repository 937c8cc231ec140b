"""The snapshot of the daemon's state (`snapshot`), how it reaches its readers (`hub`), and the
verdict in it: on frequency, or why not (`assessment`)."""
