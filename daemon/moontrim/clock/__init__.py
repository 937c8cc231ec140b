"""Time as a parameter: the only place that reads a clock or waits. `system` is the interface and
the machine's clock, `virtual` one for rehearsals and tests."""
