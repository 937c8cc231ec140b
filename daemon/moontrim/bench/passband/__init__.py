"""The passband of a receiver (ripple and edges), measured from a recording of noise."""
