"""Time as a parameter: the only place that reads a clock or waits."""
