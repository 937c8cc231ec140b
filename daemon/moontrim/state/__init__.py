"""The snapshot that everybody reads, and the verdict in it: on frequency, or why not."""
