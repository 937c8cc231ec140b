"""What the operator has chosen, the commands that change it, and the disk that keeps it."""
