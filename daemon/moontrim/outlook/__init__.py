"""What is to come, worked out in a thread beside the daemon."""
