"""Radio drivers for moontrim. The contract they fulfil is in `contract`; this package never imports
the daemon."""
