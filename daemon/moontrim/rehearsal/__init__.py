"""The whole daemon on a simulated radio, judged by an exact record."""
