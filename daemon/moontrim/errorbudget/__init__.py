"""The error budget: how far off the dials can be, cause by cause; the report of `moontrim path`."""
