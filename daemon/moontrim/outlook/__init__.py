"""The outlook on the coming hours, computed in a thread beside the daemon."""
