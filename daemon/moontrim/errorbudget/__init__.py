"""How far off the dials can be, cause by cause, and what `moontrim path` says of one instant."""
