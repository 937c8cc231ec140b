"""The error budget: the frequency error of the dials by cause; the report of `moontrim path`."""
