"""What a recorded session was like: figures, pictures and evidence, read from the journal."""
