"""What the two dials ought to be: agreement and path to on-air frequencies, band to dials, dials to
steps. Pure."""
